"""The reference records that ship with rigd: `python -m simulator.reference` makes them all again.

Four runs of the shipped profile on the simulated rig, sealed as any run is, each with another end: a body that broke,
one that seeped and did not follow, one of which only a person's mark told, and one that was tripped. They ship so that
any machine can show that it works out from the same integers what was worked out where they were made (`rigd doctor
--validate`). They must be made again whenever the engine says something else on purpose; a test says so.

The rig is scanned at 20 Hz and no plot is drawn, so that they stay small. All of it is invented.
"""

import hashlib
import json
import subprocess
import sys
import tempfile
import zipfile
from dataclasses import dataclass
from importlib import resources
from importlib.metadata import version
from pathlib import Path

from rigd.files.load import find, load_profile_bytes, load_rig_bytes, load_specimen_bytes
from rigd.store import runs
from rigd.store.disk import write_file
from rigd.store.journal import FOLDER, BlockBuilder, identity, segment_header, segment_path
from simulator.person import Person
from simulator.plant import Plant
from simulator.world import Names, World

PLACE = "reference"
EXPECTED = "expected.json"
UTC_NS = 1_767_225_600_000_000_000  # 2026-01-01T00:00:00Z, so that the same code makes the same bytes
HOUR_NS = 3_600_000_000_000
STAMP = (2026, 1, 1, 0, 0, 0)
SLOW = ("scan: 10 ms", "scan: 50 ms")


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    name: str
    seed: int
    body: str
    faults: tuple[str, ...] = ()


REFERENCES = (
    Reference(name="rupture", seed=35, body="rupture"),
    Reference(name="not-following", seed=8, body="weep"),
    Reference(name="mark", seed=35, body="weep"),
    Reference(name="trip", seed=29, body="rupture", faults=("door_opened",)),
)


def make_all(place: Path) -> None:
    """Play, seal and pack every reference, and write down what each must give."""
    expected = {}
    with tempfile.TemporaryDirectory() as folder:
        records = Path(folder) / "records"
        for number, reference in enumerate(REFERENCES):
            run, strength_pa = _play(reference, records, UTC_NS + number * HOUR_NS)
            subprocess.run([sys.executable, "-m", "rigd.closing", str(run), "--without-plot"], check=True)
            _pack(run, place / f"{reference.name}.zip")
            expected[reference.name] = _expectation(run, strength_pa)
            print(f"{reference.name}: {expected[reference.name]['outcome']}")
    (place / EXPECTED).write_text(json.dumps(expected, indent=1, sort_keys=True) + "\n")


def _play(reference: Reference, records: Path, utc_ns: int) -> tuple[Path, float | None]:
    """One run under virtual time into a journal of one segment. Returns its folder and the body's true strength."""
    rig_bytes = find("demo", "rig").read_bytes().replace(*(text.encode() for text in SLOW))
    profile_bytes = find("ramped-burst", "profile").read_bytes()
    specimen_bytes = f"specimen: reference-{reference.name}\n".encode()
    rig, profile = load_rig_bytes(rig_bytes, "rig.yaml"), load_profile_bytes(profile_bytes, "profile.yaml")
    files = {"rig.yaml": rig_bytes, "profile.yaml": profile_bytes, "specimen.yaml": specimen_bytes}
    hashes = {name: hashlib.sha256(data).hexdigest() for name, data in files.items()}
    given = runs.allocate(records, profile=profile.name, specimen=f"reference-{reference.name}", utc_ns=utc_ns)
    for name, data in files.items():
        write_file(given.path / name, data)
    whose = identity(run=given.number, version=version("rigd"), files=tuple(hashes.items()))
    builder, blocks = BlockBuilder(whose), []
    plant = Plant(rig, seed=reference.seed, body=reference.body, faults=reference.faults)
    names = Names(
        run=given.number, utc_ns=utc_ns, version=version("rigd"), rig_sha256=hashes["rig.yaml"],
        profile_sha256=hashes["profile.yaml"], specimen_sha256=hashes["specimen.yaml"],
    )  # fmt: skip
    specimen = load_specimen_bytes(specimen_bytes, "specimen.yaml")
    person = Person("simulated person", reference.seed)
    World(rig, profile, specimen, plant, person, builder, blocks.append, names).run()
    blocks.append(builder.close())
    (given.path / FOLDER).mkdir()
    header = segment_header(number=1, identity=whose, block=blocks[0])
    segment_path(given.path, 1).write_bytes(header + b"".join(blocks))
    return given.path, plant.truth().strength_pa


def _pack(run: Path, path: Path) -> None:
    """The record as one archive whose bytes depend on the record alone."""
    with zipfile.ZipFile(path, "w") as archive:
        for file in sorted(file for file in run.rglob("*") if file.is_file()):
            entry = zipfile.ZipInfo(f"{run.name}/{file.relative_to(run).as_posix()}", STAMP)
            archive.writestr(entry, file.read_bytes(), zipfile.ZIP_DEFLATED, 9)


def _expectation(run: Path, strength_pa: float | None) -> dict[str, object]:
    """What must come out again, and what only the simulator knows."""
    told = json.loads((run / "run.json").read_bytes())
    assert told["replay"] == "identical" and told["engine_and_measured_agree"] is not False, told
    result = told["result"]
    return {
        "manifest_sha256": hashlib.sha256((run / "manifest.json").read_bytes()).hexdigest(),
        "outcome": told["outcome"],
        "verdict": told["verdict"],
        "failure_pa": result["failure_pa"],
        "bound_up_pa": result["bound_up_pa"],
        "bound_down_pa": result["bound_down_pa"],
        "true_strength_pa": strength_pa if result["failure_pa"] is not None else None,
    }


if __name__ == "__main__":
    make_all(Path(str(resources.files("profiles"))) / PLACE)
