"""A commissioning walk in words: every check of model.walk.CHECKS with what was found, also those that were not made.

A trend is only told, never judged: a rig is compared with its own earlier walks, and a person decides what that means.
"""

from collections.abc import Iterable, Mapping, Sequence
from statistics import median
from typing import Any

from rigd.model.walk import CHECKS, TRENDS

MARK = {"passed": "passed", "failed": "FAILED", "undecided": "NOT DONE", "measured": "measured", "": "NOT DONE"}
WORST_FIRST = ("failed", "undecided", "measured", "passed")
NOTICEABLE = 0.25
"""A figure so much off the median of the rig's own earlier walks is said to be (a fifth is common between quiet days on
the simulated rig; a real rig's owner will find another)."""


def checks_of(judgements: Iterable[Any]) -> dict[str, dict[str, Any]]:
    """check -> its worst verdict, every finding in words, and the figure of its trend where it has one."""
    found: dict[str, dict[str, Any]] = {
        check: {"verdict": "", "found": [], "figure": None} for check in CHECKS
    }  # fmt: skip
    for judged in judgements:
        kind, verdict, text, data = (_field(judged, name) for name in ("kind", "verdict", "text", "data"))
        told = dict(data)
        row = found.get(str(told.get("check")))
        if kind != "check" or row is None:
            continue
        known = [each for each in WORST_FIRST if each in (verdict, row["verdict"])]
        row["verdict"] = known[0] if known else verdict
        row["found"].append({"verdict": verdict, "text": text.partition(": ")[2]})
        figure = told.get(TRENDS.get(str(told["check"]), ""))
        row["figure"] = row["figure"] if figure is None else figure
    return found


def _field(judged: Any, name: str) -> Any:
    return judged[name] if isinstance(judged, Mapping) else getattr(judged, name)


def describe_checks(judgements: Iterable[Any], earlier: Mapping[str, Sequence[float]] | None = None) -> list[str]:
    """Lines of a table, empty when nothing was checked. `earlier`: figures of the rig's own earlier walks, by check."""
    found = checks_of(judgements)
    if not any(row["found"] for row in found.values()):
        return []
    lines = []
    for check, row in found.items():
        lines.append(f"  {MARK[row['verdict']]:9} {CHECKS[check]}")
        for each in row["found"]:
            failed = "FAILED: " if each["verdict"] == "failed" and len(row["found"]) > 1 else ""
            lines.append(f"  {'':11} {failed}{each['text']}")
        trend = say_trend(check, row["figure"], (earlier or {}).get(check, ()))
        lines += [f"  {'':11} {trend}"] if trend else []
    return lines


def say_trend(check: str, figure: float | None, earlier: Sequence[float]) -> str:
    """How a figure lies against the rig's own earlier ones; "" when there is nothing to compare."""
    if figure is None or not earlier:
        return ""
    usual = median(earlier)
    many = f"{len(earlier)} earlier walk{'s' if len(earlier) > 1 else ''}"
    if usual <= 0.0:
        return f"trend: nothing to compare with in {many}"
    ratio = figure / usual
    off = "" if abs(ratio - 1.0) <= NOTICEABLE else ": NOT AS USUAL for this rig, find out why"
    return f"trend: {ratio:.2f} times the median of {many}{off}"
