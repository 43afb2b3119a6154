"""Closing a run, in a process of its own: `python -m rigd.closing FOLDER [KEY]`.

While the run goes on, each finished segment of its journal is replayed and sealed into a part of the trace. When the
process that wrote the journal has ended, however it ended, the rest follows: the failure is measured from the trace,
results, plot and run.json are written, and last of all the manifest. Killed anywhere, it is finished by the next one,
because every piece is whole or not there. It never touches a device, and the rig process never waits for it while there
is pressure.

A run whose journal has no Result was interrupted, and is sealed as that: what there is, is kept.
"""

import hashlib
import json
import platform
import sys
import time
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa

from rigd.calc.burst import Failure, find_failure, watched_in
from rigd.engine.engine import Engine
from rigd.model import errors
from rigd.model.errors import RigdError
from rigd.model.messages import Event, Message, Opened, OperatorAction, Reading, Result
from rigd.model.profile import Hold, Profile, Ramp
from rigd.model.rig import Rig
from rigd.model.verdicts import exit_code_of
from rigd.replay import built_from, engine_of, read_files, turn_block
from rigd.report.plots import plot_burst
from rigd.report.tables import describe, result_row, results_csv
from rigd.store import events, manifest, runs, seal
from rigd.store.archive import Archive
from rigd.store.disk import FolderLock, is_locked, make_folder, write_file
from rigd.store.edition import edition
from rigd.store.encode import decode
from rigd.store.journal import FOLDER, Block, BlockReader, finished_segments, segments
from rigd.store.journal import identity as journal_identity
from rigd.store.keys import RigKey, load_key
from rigd.store.trace import read_parquet

FORMAT = 1
POLL_S = 0.5  # how often an open journal is looked at: a segment takes a minute
FIGURES = "figures"
PLOT = "burst.svg"
WITHOUT_PLOT = "--without-plot"


@dataclass(slots=True)
class Story:
    """What the messages other than samples tell about a run."""

    opened: Opened | None = None
    result: Result | None = None
    last_ns: int = 0
    started_by: str = ""
    facts: dict[str, str] = field(default_factory=dict)
    watched_step: int = -1
    counts: dict[str, int] = field(default_factory=dict)
    watched_kinds: tuple[int, ...] = ()

    def add(self, message: Message) -> None:
        self.last_ns = message.t_ns
        if type(message) is Opened:
            self.opened = message
        elif type(message) is Result:
            self.result = message
        elif type(message) is OperatorAction and message.act == "start":
            self.started_by = message.person
        elif type(message) is Event:
            self.counts[message.kind] = self.counts.get(message.kind, 0) + 1
            data = dict(message.data)
            if message.kind == "fact":
                self.facts[str(data["fact"])] = str(data["value"])
            elif message.kind == "step" and data["step"] in self.watched_kinds:
                self.watched_step = int(data["step"])


class Closer:
    """Seals one run folder. `follow` until the writer has gone, then `finish`."""

    def __init__(self, folder: Path, key: RigKey | None = None, *, with_plot: bool = True) -> None:
        self.folder, self._key, self._with_plot = folder, key, with_plot
        self._files = read_files(folder)
        self._engine: Engine = engine_of(self._files)
        self._turned = 0  # segments this process has run through its engine
        self._differing: list[int] = []
        self._reader: BlockReader | None = None

    def follow(self) -> None:
        """Seal finished segments while the run goes on; returns when nobody writes the journal any more."""
        journal = self.folder / FOLDER
        while journal.is_dir() and is_locked(journal):
            self._seal_up_to(len(finished_segments(self.folder)))
            time.sleep(POLL_S)

    def finish(self) -> dict[str, Any]:
        """Seal the rest, measure, write everything, the manifest last. Returns run.json."""
        self._seal_up_to(len(segments(self.folder)))
        if not seal.sealed_segments(self.folder):
            seal.seal_segment([], [], self._engine.rig, self.folder, 1)
        ending = self._reader.ending if self._reader else None
        identity = (self._reader.identity if self._reader else b"") or self._own_identity()
        seal.join_pieces(self.folder, identity)
        unsaid = "" if self._reader else "the process or its power died before anything was recorded"
        run = self._write_results(ending.words if ending and ending.kind != "clean" else unsaid)
        records = self.folder.parent
        manifest.seal_folder(
            self.folder,
            run=run["run"],
            versions=run["versions"],
            previous=runs.previous_manifests(records, run["run"]),
            key=self._key,
            keep_journal=ending is not None and ending.kind == "damaged",
        )
        return run

    def _own_identity(self) -> bytes:
        """Of a run that died before its journal had a header: what can still be said of whose it is."""
        hashes = tuple((name, hashlib.sha256(data).hexdigest()) for name, data in self._files.items())
        return journal_identity(run=runs_number(self.folder), version=edition(), files=hashes)

    @property
    def _is_over(self) -> bool:
        """The journal's end is behind us: what lies beyond it is not part of the run."""
        return self._reader is not None and self._reader.ending is not None

    def _seal_up_to(self, last: int) -> None:
        sealed = len(seal.sealed_segments(self.folder))
        while self._turned < last and not self._is_over:
            number = self._turned + 1
            previous = self._reader.head if self._reader else None
            self._reader = BlockReader(self.folder, first=number, last=number, previous=previous)
            blocks: list[Block] = []
            readings: list[Reading] = []
            for block in self._reader:
                turned = turn_block(self._engine, block.input_messages())
                readings += turned.readings
                blocks.append(block)
                if turned.outputs != block.outputs or turned.readings_sha256 != block.digests[2]:
                    self._differing.append(block.first_seq)
            if number > sealed:
                signed = self._reader.heads
                seal.seal_segment(blocks, readings, self._engine.rig, self.folder, number, signed=signed)
            self._turned = number

    def _write_results(self, interruption: str) -> dict[str, Any]:
        profile = self._engine.profile
        assert profile is not None, "a rig's own log is not closed here"
        story = read_story((self.folder / events.NAME).read_bytes(), profile)
        trace = _trace(self.folder)
        failure = measure(trace, story, self._engine.rig, profile)
        run = self._run_json(story, failure, trace, interruption)
        if self._with_plot:
            if not (self.folder / FIGURES).exists():
                make_folder(self.folder / FIGURES)
            self._plot(trace, run)
        row = result_row(
            run["result"], run=run["run"], specimen=run["specimen"], profile=profile.name, rig=self._engine.rig.name,
            opened_utc=run["opened_utc"], facts=run["facts"], pressure_reference=run["pressure_reference"],
            display_unit=profile.display,
        )  # fmt: skip
        words = describe(
            run["result"], run=run["run"], specimen=run["specimen"], display_unit=profile.display,
            pressure_reference=run["pressure_reference"], minimum_pa=profile.minimum_pa,
            simulated=self._engine.rig.simulated,
        )  # fmt: skip
        write_file(self.folder / "results.csv", results_csv([row]).encode())
        write_file(self.folder / "report.txt", f"{words}\n\n{_seal_words(self._key)}\n".encode())
        write_file(self.folder / "run.json", (json.dumps(run, indent=1, allow_nan=False) + "\n").encode())
        return run

    def _run_json(
        self, story: Story, failure: Failure | None, trace: dict[str, np.ndarray], interruption: str
    ) -> dict[str, Any]:
        engine, opened = self._engine, story.opened
        rig, profile, specimen = engine.rig, engine.profile, engine.specimen
        utc_ns = opened.utc_ns if opened else runs.opened_at(self.folder)
        result = asdict(story.result) if story.result else _interrupted(trace)
        outcome, verdict = result["outcome"], result["verdict"]
        unproven = any(flag.startswith("UNPROVEN") for flag in result["flags"])
        return {
            "format": FORMAT,
            "run": opened.run if opened else runs_number(self.folder),
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
            "exit_code": exit_code_of(outcome=outcome, verdict=verdict, unproven=unproven),
            "pressure_reference": "gauge",  # whatever a transducer counts from, the engine makes it gauge
            "result": result,
            "measured": asdict(failure) if failure else None,
            "engine_and_measured_agree": _agree(story.result, failure),
            "interruption": interruption,
            "replay": "identical" if not self._differing else f"differs from message {self._differing[0]}",
            "rows": len(trace["t_ns"]),
            "events": story.counts,
            "limits": _limits(rig, profile),
            "instruments": [
                {"channel": c.name, "role": c.role, "reference": c.reference, "certificate": c.certificate, "due":
                c.due} for c in rig.channels if c.quantity != "switch"
            ],
            "versions": {"rigd": edition(), "python": platform.python_version(), "pyarrow": pa.__version__},
        }

    def _plot(self, trace: dict[str, np.ndarray], run: dict[str, Any]) -> None:
        rig, profile = self._engine.rig, self._engine.profile
        names = [channel.name for channel in rig.channels if channel.role == "specimen"]
        plot_burst(
            trace, run["result"], self.folder / FIGURES / PLOT, profile.display, primary=names[0],
            second=names[1] if len(names) > 1 else "", steps=tuple(step.name for step in profile.steps),
            limits=(("profile max", profile.max_pa), ("relief set", rig.relief.set_pa)),
            title=f"{run['specimen']}  run {run['run']}  {run['outcome']}" + ("  SIMULATED" if rig.simulated else ""),
        )  # fmt: skip


def read_story(lines: bytes, profile: Profile) -> Story:
    """What the lines of events.jsonl tell."""
    story = Story(watched_kinds=tuple(at for at, s in enumerate(profile.steps) if type(s) in (Ramp, Hold)))
    for line in lines.splitlines():
        story.add(decode(line))
    return story


def measure(trace: dict[str, np.ndarray], story: Story, rig: Rig, profile: Profile) -> Failure | None:
    """The failure by calc, from the counts of the trace: what a reader of the record gets, too."""
    if story.watched_step < 0:
        return None
    return find_failure(watched_in(trace, rig, story.watched_step), profile.signs)


def measure_again(archive: Archive) -> Failure | None:
    """The failure of a sealed record, worked out anew."""
    engine = engine_of(built_from(archive))
    story = read_story(archive.read(events.NAME), engine.profile)
    return measure(as_arrays(archive.trace(watched_columns(engine.rig))), story, engine.rig, engine.profile)


def watched_columns(rig: Rig) -> list[str]:
    """The columns of a trace that failure is found in; reading only them is most of its speed."""
    watched = [channel.name for channel in rig.channels if channel.role in ("specimen", "feed")]
    return ["t_ns", "age_us", "device", "step", "target_pa", *(f"{name}_counts" for name in watched)]


def _trace(folder: Path) -> dict[str, np.ndarray]:
    """All parts of a trace that is not sealed yet."""
    tables = [
        read_parquet(path.read_bytes(), name=path.name) for path in sorted((folder / seal.TRACE).glob("part-*.parquet"))
    ]
    return as_arrays(pa.concat_tables(tables, promote_options="permissive"))


def as_arrays(table: pa.Table) -> dict[str, np.ndarray]:
    """The columns of a trace as arrays; -1 is the device of a tick."""
    columns = {}
    for name in table.column_names:
        column = table[name].combine_chunks()
        if name == "device" or name.endswith(("_counts", "_us")):
            column = column.fill_null(-1 if name == "device" else 0)
        columns[name] = column.to_numpy(zero_copy_only=False)
    return columns


def _interrupted(trace: dict[str, np.ndarray]) -> dict[str, Any]:
    """The result of a run that never came to one."""
    result = dict.fromkeys(Result.__dataclass_fields__)
    highest = trace["highest_pa"][np.isfinite(trace["highest_pa"])] if len(trace["t_ns"]) else np.array([])
    return result | {
        "seq": -1, "t_ns": int(trace["t_ns"][-1]) if len(trace["t_ns"]) else 0, "outcome": "interrupted",
        "verdict": "undecided", "trace_class": "", "signs": (), "observation": "not_inspected", "first_out": "",
        "highest_pa": float(highest.max()) if len(highest) and highest.max() > 0.0 else None,
        "flags": ("interrupted: the rig process ended before the run did",),
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


def _seal_words(key: RigKey | None) -> str:
    """Whose seal this record gets. A seal says which rig wrote it; a person's signature is another thing."""
    if key is None:
        return "Sealed without a key. No person has authorised this record by its being sealed."
    return f"Sealed by the rig with key {key.public}\nNo person has authorised this record by its being sealed."


def _utc(utc_ns: int) -> str:
    return datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")


def runs_number(folder: Path) -> int:
    """The run number a folder's name carries, for a record that was cut before it said so."""
    return next((run.number for run in runs.list_runs(folder.parent) if run.path == folder), 0)


def close_run(folder: Path, key_path: Path | None = None, *, with_plot: bool = True) -> dict[str, Any]:
    """Close one run, now or as soon as its writer has gone. Only one process at a time does so."""
    key = load_key(key_path) if key_path is not None else None
    with FolderLock(folder):
        if (folder / manifest.NAME).exists():
            manifest.clear_up(folder)  # the process that sealed it may have died before it had tidied
            return dict(json.loads((folder / "run.json").read_bytes()))
        closer = Closer(folder, key, with_plot=with_plot)
        closer.follow()
        return closer.finish()


def main() -> int:
    words = sys.argv[1:]
    paths = [Path(word) for word in words if word != WITHOUT_PLOT]
    try:
        if len(paths) not in (1, 2):
            raise errors.UsageRefused(f"usage: python -m rigd.closing FOLDER [KEY] [{WITHOUT_PLOT}]")
        close_run(*paths, with_plot=WITHOUT_PLOT not in words)
    except RigdError as error:
        print(error, file=sys.stderr)
        return error.exit_code
    except OSError as error:
        print(f"{error.filename or 'the record'}: {error.strerror or error}", file=sys.stderr)
        return errors.CANNOT_WRITE
    return errors.DONE


if __name__ == "__main__":
    sys.exit(main())
