"""A sealed run for people and programs: run.json is verified, then told."""

from pathlib import Path
from typing import Any


def read_result(record: Path) -> dict[str, Any]:
    return {"record": str(record)}


def describe_result(record: Path) -> str:
    return str(record)
