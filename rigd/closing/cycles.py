"""The surges of a run while it is closed: cycles.csv as it grows, cycles.parquet at the end, and what both tell.

The lines come from the Cycle messages of the journal itself, segment by segment, so whoever closes after a kill writes
the same ones. At the end calc measures every surge again from the trace and the valves' commands, and the two are held
together; the night's drift and loading are worked out as advice. What is put into words is `report.surges`' business.
"""

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from rigd.calc import surge
from rigd.calc.cycle_table import differences, find_shots, measure, measured_columns, why_bits
from rigd.calc.expect_surge import expect_surges
from rigd.calc.line import wave_speed_m_per_s
from rigd.calc.stats.charts import ADVICE, BASELINE_CYCLES
from rigd.calc.stats.drift import watch_night, weigh_loading, zeroed
from rigd.closing.rows import Parts, as_arrays
from rigd.engine.engine import Engine
from rigd.model.carried import Carried
from rigd.model.messages import Cycle, Event, Message, Result
from rigd.model.observations import WHY_NOT_VALID
from rigd.model.profile import Profile, Surge
from rigd.model.rig import Rig
from rigd.model.verdicts import CYCLE_RESULTS
from rigd.report.surge_plot import plot_surges
from rigd.store import cycles, events
from rigd.store.archive import Archive
from rigd.store.disk import read_file, write_file
from rigd.store.encode import decode, split
from rigd.store.trace import read_parquet

Told = Mapping[str, np.ndarray]
Lines = Callable[[], Iterable[bytes]]  # events.jsonl from its beginning, line by line
KINDS = ("step", "state", "trip", "granted")  # of the events that say when surges were and how they ended


def surge_steps(profile: Profile | None) -> tuple[tuple[int, Surge], ...]:
    """Index and step of each surge step."""
    return tuple((at, step) for at, step in enumerate(profile.steps if profile else ()) if type(step) is Surge)


class CycleLines:
    """cycles.csv of a run that has surges; of any other, nothing."""

    def __init__(self, folder: Path, engine: Engine) -> None:
        rig = engine.rig
        self._period_s = surge.pipe_period_s(rig.line.length_m, wave_speed_m_per_s(rig.line)) if rig.line else None
        self._primary = next(channel.name for channel in rig.channels if channel.role == "specimen")
        self._zero_pa: float | None = None
        self._begun = False
        self._waiting: list[bytes] = []
        self._file = cycles.GrowingLines(folder) if surge_steps(engine.profile) else None
        if self._file is not None:
            self._file.put(cycles.heading())

    def take(self, outputs: bytes) -> None:
        """The outputs of one block, as they were recorded."""
        if self._file is None:
            return
        for data in split(outputs):
            if b'"type":"Cycle"' in data:
                self._add(decode(data))
            elif not self._begun and b'"type":"Event"' in data:
                self._note_zero(decode(data))

    def settle(self) -> None:
        """A segment is sealed: what it said of cycles is on the disk, too."""
        if self._file is not None and self._waiting:
            self._file.put(b"".join(self._waiting))
            self._waiting.clear()

    def end(self) -> None:
        if self._file is not None:
            self.settle()
            self._file.end()

    def _note_zero(self, event: Event) -> None:
        """The zero of this run is the last one accepted before its first step; a later one only says how it moved."""
        data = dict(event.data)
        if event.kind == "step":
            self._begun = True
        elif event.kind == "zero" and data["channel"] == self._primary and data["accepted"]:
            self._zero_pa = float(data["zero_pa"])

    def _add(self, cycle: Cycle) -> None:
        resolved = None
        if self._period_s is not None and cycle.gap_ns > 0:
            resolved = surge.is_resolved(1e9 / cycle.gap_ns, self._period_s)
        self._waiting.append(cycles.line_of(cycles.row_of(cycle, zero_pa=self._zero_pa, resolved=resolved)))


def about(run: Mapping[str, Any], engine: Engine) -> dict[str, Any]:
    """What the table says of itself beside its columns."""
    return {name: run[name] for name in ("run", "specimen", "profile", "rig")} | {"station": engine.rig.station}


def write_table(folder: Path, said: Mapping[str, Any]) -> Told:
    """Make cycles.parquet of cycles.csv. Returns its columns."""
    table = cycles.table_of_lines(read_file(folder / cycles.LINES), about=said)
    write_file(folder / cycles.PARQUET, cycles.parquet_bytes(table))
    return cycles.as_arrays(table)


def draw(path: Path, run: Mapping[str, Any], told: Told, display_unit: str, *, title: str) -> None:
    surges = run["surges"]
    plot_surges(
        told, path, display_unit, asked_pa=surges["asked_pressure_pa"], asked_charge_pa=surges["asked_charge_pa"],
        failed_at=surges["counts"]["failed_at_cycle"], title=title,
    )  # fmt: skip


def study(
    folder: Path, engine: Engine, result: Result | None, parts: Parts, told: Told, run: Mapping[str, Any]
) -> dict[str, Any]:
    """What run.json says of the surges of a run that is being closed, beside what `run` says already."""
    rig, profile = engine.rig, engine.profile
    assert profile is not None
    measured, differing = measure_surges(
        lambda: lines_of(folder / events.NAME), rig, profile, parts, told, unfinished=result is None
    )
    begun = len(measured["cycle"])
    ((_, step), *_) = surge_steps(profile)
    (expected,) = expect_surges(rig, surge_steps(profile)[:1], engine.specimen, None)
    said = dict(result.data) if result else {}
    counts = said if set(CYCLE_RESULTS) <= set(said) else _counted(told, measured, engine.carried, step)
    return {
        "surges": {
            "counts": counts,
            "begun_in_this_run": begun,
            "not_ended": begun - len(told["cycle"]) if not differing.get("count") else None,
            "first_cycle": int(told["cycle"][0]) if len(told["cycle"]) else None,
            "last_cycle": int(told["cycle"][-1]) if len(told["cycle"]) else None,
            "why_not_valid": _reasons(told),
            "asked_pressure_pa": step.pressure_pa,
            "asked_charge_pa": step.charge_pa,
            "minimum_cycles": step.minimum_cycles,
            "peak_at_specimen_pa": _spread(zeroed(told, "peak_sampled_pa"), told["applied"]),
            "charge_pressure_pa": _spread(told["charge_pa"], told["applied"]),
            "blow_down_s": _spread(told["blow_down_ns"] / 1e9, told["applied"]),
            "return_s": _spread(told["return_ns"] / 1e9, told["applied"]),
            "resolved": _resolved(told),
            "medium": step.medium,
            "energy_j": {"gas_at_specimen": expected.gas_j, "gas_behind": expected.behind_j, "water": expected.water_j},
            "specimen_volume_known": expected.specimen_known,
        },
        "station": rig.station,
        "resumed_from_run": engine.carried.run or None,
        "measured": (run["measured"] or {}) | as_measured(measured, differing),
        "engine_and_measured_agree": _both(
            run["engine_and_measured_agree"], not differing if begun or len(told["cycle"]) else None
        ),
        "advice": advise(told, step, rig),
    }


def _both(failure: bool | None, surges: bool | None) -> bool | None:
    """Agreement on a failure and on surges; what there is not has no say."""
    said = [agree for agree in (failure, surges) if agree is not None]
    return all(said) if said else None


def measure_surges(
    lines: Lines, rig: Rig, profile: Profile, parts: Parts, told: Told, *, unfinished: bool
) -> tuple[dict[str, np.ndarray], dict[str, int]]:
    """Every surge by calc, from the lines of events.jsonl and the trace, and where the engine's cycles differ."""
    pieces = []
    for at, step in surge_steps(profile):
        shots = find_shots(valves_told(lines(), rig), rig, at)
        pieces.append(measure(map(as_arrays, parts(measured_columns(rig))), rig, step, shots))
    measured = {name: np.concatenate([piece[name] for piece in pieces]) for name in pieces[0]}
    bits = {**told, "why": why_bits(told["why"], cycles.BETWEEN)}
    return measured, differences(measured, bits, unfinished=unfinished)


def as_measured(measured: Told, differing: dict[str, int]) -> dict[str, Any]:
    """What run.json says under `measured`."""
    return {"surges": len(measured["cycle"]), "first_differing_cycle": differing}


def measure_surges_again(archive: Archive, engine: Engine) -> dict[str, Any]:
    """The surges of a sealed record, worked out anew: what run.json must say under `measured`."""
    assert engine.profile is not None
    told = cycles.as_arrays(read_parquet(archive.read(cycles.PARQUET), name=cycles.PARQUET))
    lines = archive.read(events.NAME).splitlines()
    ended = any(b'"type":"Result"' in line for line in lines)
    found = measure_surges(lambda: lines, engine.rig, engine.profile, archive.parts, told, unfinished=not ended)
    return as_measured(*found)


def lines_of(path: Path) -> Iterator[bytes]:
    with open(path, "rb") as lines:
        yield from lines


def valves_told(lines: Iterable[bytes], rig: Rig) -> Iterator[Message]:
    """The messages that say what inlet, air and vent were told and when the run went on. A night has a hundred times as
    many lines that do not."""
    outputs = [at for at, output in enumerate(rig.outputs) if output.role in ("inlet", "air", "vent")]
    commands = tuple(b'"output":%d,' % at for at in outputs)
    kinds = tuple(b'"kind":"%s"' % kind.encode() for kind in KINDS)
    for line in lines:
        if b'"type":"ValveCommand"' in line:
            wanted = any(text in line for text in commands)
        else:
            wanted = b'"type":"Event"' in line and any(text in line for text in kinds)
        if wanted:
            yield decode(line.rstrip(b"\n"))


def advise(told: Told, step: Surge, rig: Rig) -> dict[str, Any]:
    """Drift and loading. No interlock reads this: it is worked out when the run is over."""
    drifts, unwatched = watch_night(told, rig)
    loading = weigh_loading(told, step, rig)
    return {
        "words": ADVICE,
        "baseline_cycles": BASELINE_CYCLES,
        "drift": [asdict(drift) for drift in drifts],
        "too_few_cycles_for": list(unwatched),
        "loading": None if loading is None else asdict(loading),
    }


def _counted(told: Told, measured: Told, carried: Carried, step: Surge) -> dict[str, int | None]:
    """The counts of a run that was cut off before it could say them. A surge that was begun and not ended is partial,
    and the body is held to have felt it where nobody could see."""
    rest = slice(len(told["cycle"]), None)
    stuck = told["has_returned"] & ~told["returned"]
    first = int(told["cycle"][np.argmax(stuck)]) if stuck.any() else 0
    valid = told["valid"] & ~told["extra"]
    values = (
        sum(step.blocks),
        carried.applied + _sum(told["applied"]) + _sum(measured["applied"][rest]),
        carried.valid + _sum(valid),
        carried.partial + _sum(told["partial"]) + len(measured["partial"][rest]),
        carried.extra + _sum(told["extra"]),
        carried.assisted + _sum(told["assisted"]),
        carried.stuck + _sum(stuck),
        carried.first_stuck or first or None,
        None,
    )
    return dict(zip(CYCLE_RESULTS, values, strict=True))


def _sum(marks: np.ndarray) -> int:
    return int(np.count_nonzero(marks))


def _reasons(told: Told) -> dict[str, int]:
    """How many cycles were not valid for each reason; one cycle may have several."""
    bits = why_bits(told["why"], cycles.BETWEEN)
    names = {word: why_bits([word], cycles.BETWEEN)[0] for word in WHY_NOT_VALID}
    return {word: count for word, bit in names.items() if (count := _sum(bits & bit))}


def _spread(values: np.ndarray, chosen: np.ndarray) -> dict[str, float] | None:
    seen = values[chosen & np.isfinite(values)]
    if not len(seen):
        return None
    return {"least": float(seen.min()), "median": float(np.median(seen)), "most": float(seen.max())}


def _resolved(told: Told) -> dict[str, int]:
    known = told["has_resolved"]
    return {"yes": _sum(known & told["resolved"]), "no": _sum(known & ~told["resolved"]), "unknown": _sum(~known)}
