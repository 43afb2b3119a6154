"""stub"""

import typer

app = typer.Typer()
