"""`rigd check`: are these files sound, do they fit together, and what will happen if they are used?

Nothing is touched but the files. All faults of all files come at once; only sound files are foretold.
"""

import json
import sys
from contextlib import suppress
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rigd.model import errors
from rigd.model.errors import Fault, FilesRefused, UsageRefused
from rigd.model.profile import Profile
from rigd.model.rig import Rig
from rigd.model.specimen import Specimen

HELP = """Examples:

\b
  rigd check demo ramped-burst
  rigd check my-rig.yaml my-test.yaml K-07.yaml
  rigd check --schema profile > profile.schema.json

Check rig, profile and specimen files, and show what they mean: steps, times, limits, stored energy, disk.
Exit codes: 0 sound, 65 something is wrong in a file, 66 no such file.
"""
KINDS = ("rig", "profile", "specimen")
MOST_FILES = 20  # a lab's whole shelf; more is a glob gone wrong


def check(paths: list[Path], schema: str | None = None, as_json: bool = False) -> int:
    """Print what the files are worth and return the exit code. Raises UsageRefused."""
    if schema is not None:
        return _print_schema(schema)
    if not paths or len(paths) > MOST_FILES:
        raise UsageRefused(f"{len(paths)} files given; allowed: 1 to {MOST_FILES}, or --schema {'|'.join(KINDS)}")
    found, missing = _find(paths)
    if missing:
        for fault in missing:
            print(fault, file=sys.stderr)
        return errors.NO_SUCH_RUN
    loaded, faults = _load(found)
    if not faults:
        faults = _compare(loaded)
    if faults:
        _print_faults(faults, as_json)
        return errors.BAD_DATA
    _print_sound(loaded, as_json)
    return errors.DONE


def _print_schema(kind: str) -> int:
    if kind not in KINDS:
        raise UsageRefused(f"--schema {kind!r}; allowed: {', '.join(KINDS)}")
    from rigd.files.schema import schema_of

    print(json.dumps(schema_of(kind), indent=2, ensure_ascii=False))
    return errors.DONE


def _find(paths: list[Path]) -> tuple[list[Path], list[Fault]]:
    """Paths as given, or bare names of files that come with rigd."""
    from rigd.files.load import find

    found: list[Path] = []
    missing: list[Fault] = []
    for path in paths:
        candidates = [path]
        for kind in KINDS:
            with suppress(FilesRefused):  # not the name of this kind; that it is of none is told below
                candidates.append(find(str(path), kind))
        existing = [candidate for candidate in candidates if candidate.exists()]
        if existing:
            found.append(existing[0])
        else:
            allowed = "the path of a file, or the name of one that comes with rigd"
            missing.append(Fault(path=str(path), line=1, column=1, key="", found="no such file", allowed=allowed))
    return found, missing


Loaded = list[tuple[Path, Rig | Profile | Specimen]]


def _load(paths: list[Path]) -> tuple[Loaded, tuple[Fault, ...]]:
    from rigd.files.load import load_any_bytes, read_bytes

    loaded: Loaded = []
    faults: tuple[Fault, ...] = ()
    for path in paths:
        try:
            loaded.append((path, load_any_bytes(read_bytes(path), str(path))))
        except FilesRefused as refused:
            faults += refused.faults
    rigs = [str(path) for path, shape in loaded if isinstance(shape, Rig)]
    if len(rigs) > 1:
        raise UsageRefused(f"two rigs given, {' and '.join(rigs)}; allowed: one rig at a time")
    return loaded, faults


def rig_of(loaded: Loaded) -> tuple[Path, Rig] | None:
    return next(((path, shape) for path, shape in loaded if isinstance(shape, Rig)), None)


def _compare(loaded: Loaded) -> tuple[Fault, ...]:
    from rigd.files.load import check_specimen, check_together

    rig = rig_of(loaded)
    specimens = [shape for _, shape in loaded if isinstance(shape, Specimen)]
    faults: tuple[Fault, ...] = ()
    for path, shape in loaded:
        if rig is not None and isinstance(shape, Profile):
            faults += check_together(rig[1], shape, rig_path=str(rig[0]), profile_path=str(path))
        if isinstance(shape, Profile):
            for specimen in specimens:
                faults += check_specimen(shape, specimen, profile_path=str(path))
    return faults


def _print_faults(faults: tuple[Fault, ...], as_json: bool) -> None:
    if as_json:
        print(json.dumps({"ok": False, "faults": [asdict(fault) for fault in faults]}, indent=2, ensure_ascii=False))
        return
    for fault in faults:
        print(fault)
    count = len(faults)
    print(f"{count} fault{'s' if count > 1 else ''}. Nothing can be run with these files until they are put right.")


def _print_sound(loaded: Loaded, as_json: bool) -> None:
    """One forecast a profile; the rig and the specimen, where given, belong to each."""
    from rigd.calc.expect import forecast
    from rigd.cli import check_lines

    rig = rig_of(loaded)
    specimen = next((shape for _, shape in loaded if isinstance(shape, Specimen)), None)
    profiles = [shape for _, shape in loaded if isinstance(shape, Profile)]
    made: list[tuple[Profile | None, Any]] = [
        (profile, forecast(rig[1] if rig else None, profile, specimen)) for profile in profiles
    ]
    if not made and rig is not None:
        made = [(None, forecast(rig[1], None, specimen))]
    if as_json:
        body = {
            "ok": True,
            "files": [{"path": str(path), "kind": type(shape).__name__.lower()} for path, shape in loaded],
            "rig": asdict(rig[1]) if rig else None,
            "profiles": [asdict(profile) for profile in profiles],
            "forecasts": [
                {"profile": profile.name if profile else None, **asdict(foretold)} for profile, foretold in made
            ],
            "caution": check_lines.CAUTION,
        }
        print(json.dumps(body, indent=2, ensure_ascii=False, allow_nan=False))
        return
    for line in check_lines.describe(loaded, made, specimen):
        print(line)
