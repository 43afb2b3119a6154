"""What came out of a run, for people and programs, read from its record after verifying it.

A record that is not sealed yet has no result; it is told as what it is. Numbers of programs are SI.
"""

import csv
from pathlib import Path
from typing import Any

from rigd.model.errors import RecordAltered
from rigd.report.aims import aims_of
from rigd.report.turns import onset_of
from rigd.store import archive, manifest
from rigd.store.disk import read_file
from rigd.store.encode import parse_json
from rigd.store.runs import RunFolder

RUN, REPORT, ROWS = "run.json", "report.txt", "results.csv"
SURGE_KEYS = ("station", "resumed_from_run", "surges", "engine_and_measured_agree", "advice")
QUICK_BYTES = 1 << 20  # a list reads no more of a file of any record


def read_result(record: Path) -> dict[str, Any]:
    """Return the result as one flat mapping. Raises RecordAltered with every finding."""
    if not (record / manifest.NAME).is_file():
        return {"record": str(record), "state": "unsealed", "outcome": None, "verdict": None}
    sealed = archive.open_run(record)
    try:
        return {"record": str(record), "state": "sealed"} | _flat(sealed.run)
    except (ValueError, LookupError, TypeError) as wrong:
        words = f"{RUN} was sealed so, and is not what this version writes: {type(wrong).__name__} {wrong}"
        raise RecordAltered((words,)) from None


def _flat(told: dict[str, Any]) -> dict[str, Any]:
    result = told["result"]
    time_ns = result["time_to_failure_ns"]
    return {
        "run": told["run"],
        "specimen": told["specimen"],
        "profile": told["profile"],
        "rig": told["rig"],
        "simulated": told["simulated"],
        "opened_utc": told["opened_utc"],
        "outcome": told["outcome"],
        "verdict": told["verdict"],
        "exit_code": told["exit_code"],
        "failure_pa": result["failure_pa"],
        "failure_signs": result["signs"],
        "highest_pa": result["highest_pa"],
        "bound_pa": result["bound_pa"],
        "bound_up_pa": result["bound_up_pa"],
        "bound_down_pa": result["bound_down_pa"],
        "pressure_reference": told["pressure_reference"],
        "time_to_failure_s": None if time_ns is None else time_ns / 1e9,
        "ramp_pa_per_s": result["ramp_pa_per_s"],
        "trace_class": result["trace_class"],
        "observation": result["observation"],
        "first_out": result["first_out"],
        "flags": result["flags"],
        "counted": dict(result.get("data", ())),  # what this kind of test counts besides; records before it have none
        "facts": told["facts"],
        "replay": told["replay"],
        "unattended": told.get("unattended"),  # records before it have none
        **({} if (onset := onset_of(result)) is None else {"onset": onset}),
        **{name: told[name] for name in ("decay", "gas_leak") if name in told},
        **({} if (aims := aims_of(result, told.get("judgements", ()))) is None else {"aims": aims}),
    } | ({name: told[name] for name in SURGE_KEYS} if "surges" in told else {})  # fmt: skip


def describe_result(record: Path) -> str:
    """Return the report as it was sealed, or what stands in its place."""
    if not (record / manifest.NAME).is_file():
        return f"{record.name}: not sealed yet, so there is no result; the next run on this folder seals it"
    return archive.open_run(record).read(REPORT).decode(errors="replace").rstrip("\n")


def read_summary(run: RunFolder) -> dict[str, Any]:
    """One line of a list: quick, so it is read and not verified."""
    row = {
        "run": run.number, "record": str(run.path), "state": run.state, "opened_utc": _stamp(run.path.name),
        "specimen": run.path.name.rpartition("_")[2], "outcome": None, "verdict": None, "failure_pa": None,
        "told": {"open": "being recorded now", "unsealed": "not sealed yet"}.get(run.state, ""),
    }  # fmt: skip
    if run.state != "sealed":
        return row
    try:
        told = parse_json(read_file(run.path / RUN, limit=QUICK_BYTES))
        found = {key: told[key] for key in ("opened_utc", "specimen", "outcome", "verdict")}
        if not all(isinstance(text, str) for text in found.values()):
            raise ValueError("no text where text is due")
        counts = {"cycles": told["surges"]["counts"], "station": told["station"]} if "surges" in told else {}
        return row | found | counts | {"failure_pa": told["result"]["failure_pa"], "told": _told(run.path, told)}
    except (OSError, ValueError, LookupError, TypeError, csv.Error):
        return row | {"told": "cannot be read: rigd runs verify says what is wrong"}


def _told(record: Path, told: dict[str, Any]) -> str:
    """Outcome, verdict and failure pressure in the unit its profile is shown in (a column of results.csv has it)."""
    (found,) = csv.DictReader(read_file(record / ROWS, limit=QUICK_BYTES).decode().splitlines())
    shown = [name for name in found if name.startswith("failure_") and name not in ("failure_pa", "failure_t_ns")]
    unit = next((name.removeprefix("failure_") for name in shown if "raw" not in name), "")
    failure = f"  failed at {float(found[f'failure_{unit}']):.1f} {unit}" if unit and found[f"failure_{unit}"] else ""
    return f"{told['outcome']}, verdict {told['verdict']}{failure}{_cycles_told(told)}"


def _cycles_told(told: dict[str, Any]) -> str:
    """What a list says of a surge test: the two counts, and where it failed or stuck."""
    if "surges" not in told:
        return ""
    counts = told["surges"]["counts"]
    words = f"  {counts['cycles_valid']} of {counts['cycles_owed']} cycles valid, {counts['cycles_applied']} applied"
    if counts["failed_at_cycle"]:
        words += f", failed at cycle {counts['failed_at_cycle']}"
    if counts["stuck_cycles"]:
        words += f", stuck {counts['stuck_cycles']} times from cycle {counts['first_stuck_cycle']}"
    return words + (f", station {told['station']}" if told["station"] else "")


def _stamp(name: str) -> str:
    """The time in a run folder's name, as people and programs write it: 2026-11-24T21:44:33Z."""
    day, _, clock = name.partition("_")[0].partition("T")
    return f"{day}T{clock[:2]}:{clock[2:4]}:{clock[4:6]}Z"
