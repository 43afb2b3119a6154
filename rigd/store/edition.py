"""Which rigd this is: its release, and a digest of the sources that decide what a record says.

A release number alone cannot tell an auditor whether the engine that replays a record is the one that made it. The
digest is over every source file of the engine, of calc.exact and of the model, by name, so any change of a rule shows.
"""

import hashlib
from functools import cache
from importlib.metadata import version
from pathlib import Path

DECIDING = ("engine", "calc/exact", "model")
DIGITS = 12  # of the SHA-256: enough to tell editions apart, short enough to read out


@cache
def edition() -> str:
    """Such as 0.1.0+3f9c0a1b2d4e."""
    digest = hashlib.sha256()
    package = Path(__file__).parent.parent
    for room in DECIDING:
        for path in sorted((package / room).glob("*.py")):
            digest.update(f"{room}/{path.name}\n".encode())
            digest.update(path.read_bytes())
    return f"{version('rigd')}+{digest.hexdigest()[:DIGITS]}"
