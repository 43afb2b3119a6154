"""What an air check found, as lines of a report; a run without one has none."""

from collections.abc import Iterable, Mapping
from typing import Any

MARGIN = 18  # where the words of a report begin


def describe_air(judgements: Iterable[Any]) -> list[str]:
    """The checks in order, each with its number and its uncertainty."""
    lines = []
    for judged in judgements:
        is_read = isinstance(judged, Mapping)
        if (judged["kind"] if is_read else judged.kind) == "air":
            text = (judged["text"] if is_read else judged.text).partition(": ")[2]
            lines.append(f"  {'Trapped air' if not lines else '':{MARGIN}}{text}")
    return lines
