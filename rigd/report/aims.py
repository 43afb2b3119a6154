"""What came out of a flush-direction test, for people and programs: shares, errors of aim, and aim by aim.

The engine tells each aim; here they are put together with an interval, always with the number of aims beside it. A run
of another kind has none of this, and every function here then says so with nothing.
"""

from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any

from rigd.calc.flush import hit_share, mean_direction, mean_share
from rigd.model.flush import CUPS
from rigd.model.verdicts import AIM_RESULTS

MARGIN = 18  # where the words of a report begin
PARTS = {"share_in": "in the sector", "share_outside": "outside it", "share_not_caught": "not caught"}
CAUTION = "a stream cuts and carries grit: eyes covered, nobody in its way, no hand in it (HSE GS4 section 8)"


def _field(judged: Any, name: str) -> Any:
    """Of a judgement as the engine's shape or as read back from a record."""
    return judged[name] if isinstance(judged, Mapping) else getattr(judged, name)


def aim_columns(result: Mapping[str, Any]) -> dict[str, Any]:
    """Columns of a table of results: counts and mean shares."""
    told = dict(result.get("data") or ())
    return {name: told[name] for name in AIM_RESULTS} if "aims_owed" in told else {}


def aims_of(result: Mapping[str, Any], judgements: Iterable[Any]) -> dict[str, Any] | None:
    """The aims of a run for programs. None: not a flush-direction test."""
    told = dict(result.get("data") or ())
    if "aims_owed" not in told:
        return None
    aims = [judged for judged in judgements if _field(judged, "kind") == "aim"]
    rows = [
        {"number": _field(aim, "number"), "verdict": _field(aim, "verdict"), **dict(_field(aim, "data"))}
        for aim in aims
    ]
    sound = [row for row in rows if row["verdict"] == "measured"]
    found: dict[str, Any] = {
        "owed": told["aims_owed"], "made": told["aims_made"], "measured": len(sound),
        "undecided": told["aims_undecided"], "judged_by": told["aims_judged_by"],
        "half_width_deg": told["half_width_deg"], "error_deg": None, "aims": rows,
    }  # fmt: skip
    if not sound:
        return found
    found["error_deg"] = _direction(sound)
    if told["aims_judged_by"] == CUPS:
        found |= {part: asdict(mean_share([row[part] for row in sound])) for part in PARTS}
    else:
        found["hits"] = asdict(hit_share(sum(bool(row["hit"]) for row in sound), len(sound)))
    return found


def _direction(sound: list[dict[str, Any]]) -> dict[str, Any] | None:
    try:
        return asdict(mean_direction([row["error_deg"] for row in sound]))
    except ValueError:  # errors that cancel out point nowhere: there is no mean to tell
        return None


def describe_aims(result: Mapping[str, Any], judgements: Iterable[Any]) -> list[str]:
    """Lines of a report."""
    found = aims_of(result, judgements)
    if found is None:
        return []
    lines = [_line("Aims", f"{found['measured']} measured of {found['made']} made and {found['owed']} owed")]
    if found["undecided"]:
        lines.append(_line("", f"{found['undecided']} undecided: they enter no number below"))
    lines += _share_lines(found)
    if (error := found["error_deg"]) is not None:
        width = ""
        if error["low_deg"] is not None:
            width = f" ({error['low_deg']:+.1f} to {error['high_deg']:+.1f})"
        lines.append(_line("Aiming error", f"{error['mean_deg']:+.1f} deg{width}, k = {error['aims']}; + is clockwise"))
        lines.append(_line("", "circular mean; 95 % by Student's t on the deviations, taken as independent and normal"))
    elif found["measured"]:
        lines.append(_line("Aiming error", "none named: the aims point everywhere"))
    for row, judged in zip(found["aims"], (j for j in judgements if _field(j, "kind") == "aim"), strict=True):
        lines.append(_line(f"Aim {row['number']}", _field(judged, "text").partition(": ")[2]))
    lines.append(_line("Photos", "rigd runs inspect adds them, hashed, beside the record"))
    lines.append(_line("Caution", CAUTION))
    return lines


def _share_lines(found: Mapping[str, Any]) -> list[str]:
    lines = []
    for part, words in PARTS.items():
        share = found.get(part)
        if share is None:
            continue
        width = "" if share["low"] is None else f" ({100 * share['low']:.1f} to {100 * share['high']:.1f} %)"
        lines.append(
            _line("" if lines else "Share", f"{100 * share['mean']:.1f} %{width} {words}, k = {share['aims']}")
        )
    if lines:
        lines.append(_line("", "mean over aims; 95 % by Student's t, aims taken as independent and about normal"))
    if (hits := found.get("hits")) is not None:
        width = f"({100 * hits['low']:.1f} to {100 * hits['high']:.1f} %)"
        lines.append(_line("Hits", f"{hits['hits']} of k = {hits['aims']} {width}, exact binomial 95 %"))
    return lines


def _line(head: str, words: str) -> str:
    return f"  {head:{MARGIN}}{words}"
