"""What came out of a run, measured from its sealed parts and written beside them: run.json, results.csv, report.txt and
the figure. Everything here can be made again from the trace and events.jsonl by whoever doubts it; nothing here knows
the journal, a device or a clock.

`write_results` is the list of what a run's folder gets; another kind of result is another file there.
"""

import json
import platform
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pyarrow as pa

from rigd.calc.burst import Failure, find_failure, watched_in
from rigd.closing import cycles, decays, gas, rows
from rigd.closing.rows import Columns, Extent, Parts
from rigd.closing.story import Story, read_story
from rigd.engine.engine import Engine
from rigd.model.messages import Result
from rigd.model.profile import Profile
from rigd.model.rig import Rig
from rigd.model.states import UNPROVEN
from rigd.model.verdicts import exit_code_of, outcome_without_result
from rigd.replay import built_from, engine_of
from rigd.report.plots import plot_burst
from rigd.report.surges import describe_surges, surge_columns
from rigd.report.tables import describe, result_row, results_csv
from rigd.store import events, runs
from rigd.store.archive import Archive
from rigd.store.disk import make_folder, write_file
from rigd.store.edition import edition
from rigd.store.unattended import read_unattended, say_unattended

FORMAT = 1
FIGURES = "figures"
PLOT, SURGE_PLOT = "burst.svg", "surge.svg"


def write_results(
    folder: Path, engine: Engine, *, interruption: str, replay: str, seal_words: str, with_plot: bool
) -> dict[str, Any]:
    """Measure the run whose parts and events.jsonl are in the folder, and write its results. Returns run.json."""
    assert engine.profile is not None, "a rig's own log is not closed here"
    with open(folder / events.NAME, "rb") as lines:
        story = read_story(lines, engine.profile)
    story.was_cut_off = bool(interruption)
    parts = rows.unsealed_parts(folder)
    extent, failure = survey(parts, story, engine.rig, engine.profile)
    how = {"interruption": interruption, "replay": replay}
    run = _run_json(folder, engine, story, failure, extent, how)
    if decays.decay_steps(engine.profile):
        told_valves = cycles.valves_told(cycles.lines_of(folder / events.NAME), engine.rig)
        run["decay"] = decays.study(engine, told_valves, story.judgements, parts)
    if (found := gas.study(engine, story.judgements, run["result"], parts)) is not None:
        run["gas_leak"], run["engine_and_measured_agree"] = found, found["agrees_with_engine"]
    if cycles.surge_steps(engine.profile):
        told = cycles.write_table(folder, cycles.about(run, engine))
        run |= cycles.study(folder, engine, story.result, parts, told, run)
        if with_plot:
            cycles.draw(_figure(folder, SURGE_PLOT), run, told, engine.profile.display, title=_title(run))
        if with_plot and story.watched_step >= 0:  # surged first and burst then
            _draw(folder, engine, parts, extent, run)
        row = _row(run, engine) | surge_columns(run, display_unit=engine.profile.display)
        words = describe_surges(run, display_unit=engine.profile.display, opening_words=story.opening_words)
    else:
        if with_plot:
            _draw(folder, engine, parts, extent, run)
        row = _row(run, engine)
        words = describe(
            run["result"], run=run["run"], specimen=run["specimen"], display_unit=engine.profile.display,
            pressure_reference=run["pressure_reference"], minimum_pa=engine.profile.minimum_pa,
            simulated=engine.rig.simulated, opening_words=story.opening_words, judgements=story.judgements,
            decay=run.get("decay"), gas=run.get("gas_leak"),
        )  # fmt: skip
    write_file(folder / "results.csv", results_csv([row]).encode())
    alone = f"\n\n{say_unattended(run['unattended'])}" if run["unattended"] else ""
    write_file(folder / "report.txt", f"{words}{alone}\n\n{seal_words}\n".encode())
    write_file(folder / "run.json", (json.dumps(run, indent=1, allow_nan=False) + "\n").encode())
    return run


def _row(run: dict[str, Any], engine: Engine) -> dict[str, Any]:
    assert engine.profile is not None
    return result_row(
        run["result"], run=run["run"], specimen=run["specimen"], profile=engine.profile.name, rig=engine.rig.name,
        opened_utc=run["opened_utc"], facts=run["facts"], pressure_reference=run["pressure_reference"],
        display_unit=engine.profile.display,
    )  # fmt: skip


def survey(parts: Parts, story: Story, rig: Rig, profile: Profile) -> tuple[Extent, Failure | None]:
    """One look at every part: how far the trace goes, and the failure in it by calc, from the counts: what a reader of
    the record gets, too."""
    extent = Extent()

    def seen() -> Any:
        for table in parts([*rows.watched_columns(rig), "highest_pa"]):
            extent.add(table)
            yield rows.as_arrays(table)

    if story.watched_step < 0:
        for _ in seen():
            pass
        return extent, None
    watched = rows.rows_of_step(seen(), story.watched_step)
    return extent, find_failure(watched_in(watched, rig, story.watched_step), profile.signs)


def measure_again(archive: Archive) -> Failure | None:
    """The failure of a sealed record, worked out anew."""
    engine = engine_of(built_from(archive))
    assert engine.profile is not None
    story = read_story(archive.read(events.NAME).splitlines(), engine.profile)
    return survey(archive.parts, story, engine.rig, engine.profile)[1]


def measured_again(archive: Archive) -> dict[str, Any] | None:
    """What a sealed record's run.json must say under `measured`, worked out anew."""
    failure, engine = measure_again(archive), engine_of(built_from(archive))
    told = asdict(failure) if failure else None
    if not cycles.surge_steps(engine.profile):
        return told
    return (told or {}) | cycles.measure_surges_again(archive, engine)


def _run_json(
    folder: Path, engine: Engine, story: Story, failure: Failure | None, extent: Extent, how: dict[str, str]
) -> dict[str, Any]:
    opened, rig, profile, specimen = story.opened, engine.rig, engine.profile, engine.specimen
    assert profile is not None
    utc_ns = opened.utc_ns if opened else runs.opened_at(folder)
    result = asdict(story.result) if story.result else _unfinished(extent, story)
    outcome, verdict = result["outcome"], result["verdict"]
    return {
        "format": FORMAT,
        "run": opened.run if opened else runs.number_of(folder),
        "rig": rig.name,
        "site": rig.site,
        "simulated": rig.simulated,
        "profile": profile.name,
        "title": profile.title,
        "method": profile.method,
        "specimen": specimen.id if specimen else "",
        "facts": dict(specimen.facts if specimen else ()) | story.facts,
        "started_by": story.started_by,
        "opened_utc": _utc(utc_ns),
        "ended_utc": _utc(utc_ns + story.last_ns),
        "duration_s": story.last_ns / 1e9,
        "outcome": outcome,
        "verdict": verdict,
        "ended_in": story.ended_in,
        "exit_code": exit_code_of(outcome=outcome, verdict=verdict, unproven=story.ended_in == UNPROVEN),
        "pressure_reference": "gauge",  # whatever a transducer counts from, the engine makes it gauge
        "result": result,
        "measured": asdict(failure) if failure else None,
        "engine_and_measured_agree": _agree(story.result, failure),
        "unattended": read_unattended(folder) or None,
        **how,
        "judgements": [asdict(judged) for judged in story.judgements],
        "rows": extent.rows,
        "events": story.counts,
        "limits": _limits(rig, profile),
        "instruments": [
            {"channel": c.name, "role": c.role, "reference": c.reference, "certificate": c.certificate, "due": c.due}
            for c in rig.channels if c.quantity != "switch"
        ],
        "versions": {"rigd": edition(), "python": platform.python_version(), "pyarrow": pa.__version__},
    }  # fmt: skip


def _figure(folder: Path, name: str) -> Path:
    """Where a figure goes; its folder is made."""
    if not (folder / FIGURES).exists():
        make_folder(folder / FIGURES)
    return folder / FIGURES / name


def _draw(folder: Path, engine: Engine, parts: Parts, extent: Extent, run: dict[str, Any]) -> None:
    rig, profile = engine.rig, engine.profile
    assert profile is not None
    names = [channel.name for channel in rig.channels if channel.role == "specimen"][:2]
    plot_burst(
        _drawn_rows(parts, extent, names, run["result"]), run["result"], _figure(folder, PLOT), profile.display,
        primary=names[0], second=names[1] if len(names) > 1 else "", steps=tuple(step.name for step in profile.steps),
        limits=(("profile max", profile.max_pa), ("relief set", rig.relief.set_pa)),
        title=_title(run),
    )  # fmt: skip


def _title(run: dict[str, Any]) -> str:
    return f"{run['specimen']}  run {run['run']}  {run['outcome']}" + ("  SIMULATED" if run["simulated"] else "")


def _drawn_rows(parts: Parts, extent: Extent, names: list[str], result: dict[str, Any]) -> Columns:
    """What the figure shows, of a long run thinned, with every sample around the moment it looks at closely."""
    columns = ["seq", "t_ns", "age_us", "step", "target_pa"]
    columns += [f"{name}{suffix}" for name in names for suffix in ("_pa", "_quality")]
    arrays = (rows.as_arrays(table) for table in parts(columns))
    if extent.rows <= rows.WHOLE_ROWS:
        return rows.joined(arrays)
    moment_ns = result["failure_t_ns"]
    if moment_ns is None and result["highest_pa"] is not None:
        moment_ns = rows.nearest_ns(parts, names[0], result["highest_pa"] + (result["zero_pa"] or 0.0))
    return rows.thinned(arrays, tuple(names), rows=extent.rows, moment_ns=moment_ns)


def _unfinished(extent: Extent, story: Story) -> dict[str, Any]:
    """The result of a run that never came to one."""
    outcome = outcome_without_result(left=not story.was_cut_off, state=story.ended_in)
    cut_off = outcome == "interrupted"
    why = "the rig process ended before the run did" if cut_off else "somebody left before there was a result"
    return dict.fromkeys(Result.__dataclass_fields__) | {
        "seq": -1, "t_ns": extent.last_ns, "outcome": outcome,
        "verdict": "undecided", "trace_class": "", "signs": (), "observation": "not_inspected", "first_out": "",
        "highest_pa": float(extent.highest_pa) if extent.highest_pa > 0.0 else None,
        "flags": (f"{outcome}: {why}",), "data": (),
    }  # fmt: skip


def _agree(result: Result | None, failure: Failure | None) -> bool | None:
    """Whether engine and calc name the same failure; None when there is no sign of the trace to compare."""
    if result is None or failure is None or not failure.sign or failure.sign not in result.signs:
        return None
    if result.failure_t_ns is None or result.failure_raw_pa is None:
        return None
    raw_pa = failure.onset_pa - (result.zero_pa or 0.0)
    return result.failure_t_ns == failure.onset_ns and result.failure_raw_pa == raw_pa


def _limits(rig: Any, profile: Any) -> dict[str, float]:
    trips = {f"trip {row.name}": row.limit for row in rig.rows if row.kind == "trip" and row.test == "above"}
    return {
        "profile_max_pa": profile.max_pa,
        "vent_limit_pa": rig.vent.limit_pa,
        "relief_reseat_pa": rig.relief.reseat_pa,
        "relief_set_pa": rig.relief.set_pa,
        "weakest_part_pa": min(part.rating_pa for part in rig.parts),
    } | trips


def _utc(utc_ns: int) -> str:
    return datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
