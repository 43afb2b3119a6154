"""A view in words: of one station, of all of them, as a line that stays or as the few lines of `rigd status`.

What is abnormal stands beside the state, in words; colour is the screen's. Nothing here keeps anything.
"""

from collections.abc import Mapping
from typing import Any

GRAVEST_STATES = ("UNPROVEN", "RUNNING", "VENTING", "ARMED", "READY", "VENTED")
"""Whose words stand above those of the others: what keeps people away first."""

SPECIMEN_WIDTH, STATE_WIDTH = 10, 16
"""Columns of the lines of several stations, so that the eye finds the same thing at the same place."""


def pressure(value_pa: float | None, view: dict[str, Any], digits: int = 1) -> str:
    """Write a pressure for people in the profile's display unit; a value that is none is a dash."""
    if value_pa is None:
        return "—"
    return f"{value_pa / view['display_pa']:.{digits}f}"


def describe(view: dict[str, Any]) -> str:
    """Tell a whole view in a few lines, for `rigd status`; of several stations, each."""
    if "stations" in view:
        told = [describe(each) for each in view["stations"]]
        told += [f"station {each['station']} · no run; its valves are watched · {each['state']}" for each in
                 view.get("guarded", ())]  # fmt: skip
        return "\n\n".join(told)
    unit = view["display"]
    place = f" · station {view['station']}" if view.get("station") else ""
    lines = [
        f"{view['rig']}{' (SIMULATED)' if view['simulated'] else ''}{place} · run {view['run']}"
        f" · specimen {view['specimen']}",
        f"{state_words(view)} · {view['words']}",
        f"pressure {pressure(view['pressure_pa'], view)} {unit} gauge · highest {pressure(view['highest_pa'], view)}"
        f" · called for {pressure(view['target_pa'], view)} · rate {pressure(view['rate_pa_per_s'], view)} {unit}/s",
    ]
    if view["step_name"]:
        lines.append(f"step {view['step'] + 1}: {view['step_name']}")
    if counted := cycles(view):
        lines.append(counted)
    if view["held_by"]:
        lines.append(f"held by {view['held_by']}")
    if view["latched"]:
        lines.append(
            f"latched: {', '.join(view['latched'])} (first: {view['first_out']}); find the cause, then: rigd reset"
        )
    missing = [(name, reason) for name, holds, reason in view["permissives"] if not holds]
    lines += [f"missing: {name} - {reason}" for name, reason in missing]
    if view["permissives"] and not missing:
        lines.append("permissives: all hold")
    if view["prompt"]:
        lines += question(view["prompt"], view.get("station", 0))
    return "\n".join(lines)


def state_words(view: dict[str, Any]) -> str:
    """The state word, with what makes it abnormal beside it."""
    words = view["state"]
    if view["trip_state"] != "CLEAR":
        words += f" · {view['trip_state']}: {view['first_out']}"
    elif view.get("paused"):
        words += " · paused"
    return words


def cycles(view: dict[str, Any]) -> str:
    """How far a surge test has come, "" for any other: what is owed, what the body felt, what stuck."""
    counted = dict(view.get("counted") or ())
    if "cycles_owed" not in counted:
        return ""
    words = f"cycles {counted['cycles_valid']} of {counted['cycles_owed']} valid, {counted['cycles_applied']} applied"
    return words + (f", {counted['stuck_cycles']} stuck" if counted["stuck_cycles"] else "")


def question(prompt: dict[str, Any], station: int) -> list[str]:
    """Tell an open prompt and how it is answered from any terminal."""
    how = {
        "confirm": "rigd confirm",
        "enter": "rigd confirm VALUE",
        "choose": "rigd confirm " + "|".join(prompt["choices"]),
    }[prompt["kind"]]
    where = f" --station {station}" if station else ""
    return [asked(prompt, station), f"    answer: {how}{where}"]


def asked(prompt: dict[str, Any], station: int) -> str:
    """A question with its number; stations count theirs alike, so the station stands before it."""
    return f"[{f'station {station} · ' if station else ''}{prompt['prompt']}] {prompt['text']}"


def live_line(view: dict[str, Any], missed: int) -> str:
    """The one line of a rig with one station."""
    unit = view["display"]
    parts = [
        state_words(view),
        view["step_name"],
        f"{pressure(view['pressure_pa'], view)} {unit}",
        f"highest {pressure(view['highest_pa'], view)}",
        f"rate {pressure(view['rate_pa_per_s'], view)} {unit}/s",
    ]
    if view["target_pa"] is not None:
        parts.append(f"called for {pressure(view['target_pa'], view)}")
    if view["held_by"]:
        parts.append(f"held by {view['held_by']}")
    parts.append(cycles(view))
    if missed:
        parts.append(f"{missed} scans late")
    return "  ".join(part for part in parts if part)


def station_line(view: dict[str, Any], chosen: bool) -> str:
    """The line of one of several stations: 80 columns hold what matters."""
    state = state_words(view) + (" · asks" if view["prompt"] else "")
    parts = [
        f"{'>' if chosen else ' '} {view['station']}  {view['specimen'][:SPECIMEN_WIDTH]:{SPECIMEN_WIDTH}}",
        f"{state:{STATE_WIDTH}}",
        f"{pressure(view['pressure_pa'], view):>6} {view['display']}",
        _short_cycles(view) or view["step_name"],
    ]
    if view["held_by"]:
        parts.append(f"held by {view['held_by']}")
    return "  ".join(part for part in parts if part)


def _short_cycles(view: dict[str, Any]) -> str:
    counted = dict(view.get("counted") or ())
    if "cycles_owed" not in counted:
        return ""
    words = f"{counted['cycles_valid']}/{counted['cycles_owed']} valid {counted['cycles_applied']} applied"
    return words + (f" {counted['stuck_cycles']} stuck" if counted["stuck_cycles"] else "")


def words_line(views: Mapping[int, dict[str, Any]], missed: int) -> str:
    """What stands above the lines of several stations: the words of the one that keeps people away."""
    gravest = min(views.values(), key=lambda view: GRAVEST_STATES.index(view["state"]))
    states = [view["state"] for view in views.values()]
    counted = ", ".join(f"{states.count(state)} {state}" for state in GRAVEST_STATES if state in states)
    late = f"  {missed} scans late" if missed else ""
    return f"{counted} · station {gravest['station']}: {gravest['words']}{late}"
