"""A commissioning walk in words: every check of model.walk.CHECKS with its findings, also those that were not made."""

from collections.abc import Iterable, Mapping
from typing import Any

from rigd.model.walk import CHECKS, TRENDS

MARK = {"passed": "passed", "failed": "FAILED", "undecided": "NOT DONE", "measured": "measured", "": "NOT DONE"}
WORST_FIRST = ("failed", "undecided", "measured", "passed")


def checks_of(judgements: Iterable[Any]) -> dict[str, dict[str, Any]]:
    """check -> its worst verdict, every finding in words, and the data of the one that has the figure of its trend."""
    found: dict[str, dict[str, Any]] = {check: {"verdict": "", "found": [], "measured": {}} for check in CHECKS}
    for judged in judgements:
        kind, verdict, text, data = (_field(judged, name) for name in ("kind", "verdict", "text", "data"))
        told = dict(data)
        row = found.get(str(told.get("check")))
        if kind != "check" or row is None:
            continue
        known = [each for each in WORST_FIRST if each in (verdict, row["verdict"])]
        row["verdict"] = known[0] if known else verdict
        row["found"].append({"verdict": verdict, "text": text.partition(": ")[2]})
        if TRENDS.get(str(told["check"]), "") in told:
            row["measured"] = told
    return found


def _field(judged: Any, name: str) -> Any:
    return judged[name] if isinstance(judged, Mapping) else getattr(judged, name)


def describe_checks(judgements: Iterable[Any]) -> list[str]:
    """Lines of a table, empty when nothing was checked."""
    found = checks_of(judgements)
    if not any(row["found"] for row in found.values()):
        return []
    lines = []
    for check, row in found.items():
        lines.append(f"  {MARK[row['verdict']]:9} {CHECKS[check]}")
        for each in row["found"]:
            failed = "FAILED: " if each["verdict"] == "failed" and len(row["found"]) > 1 else ""
            lines.append(f"  {'':11} {failed}{each['text']}")
    return lines
