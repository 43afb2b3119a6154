"""Files of people become shapes of the rig, or are refused with every fault at once.

Three kinds of file: rig, profile, specimen. `load_*` reads a path, `load_*_bytes` reads exact bytes so that what was
hashed is what was understood, and `find` turns a bare name into a file that came with the package.
"""

import importlib.resources
from collections.abc import Callable
from pathlib import Path
from typing import Any

from rigd.files.air_shape import check_stretch
from rigd.files.document import MAX_BYTES, Document, read
from rigd.files.faults import suggest
from rigd.files.profile_build import build_profile, build_specimen
from rigd.files.profile_sense import check_profile, pick_step
from rigd.files.profile_shape import ProfileShape
from rigd.files.rig_build import build_rig
from rigd.files.rig_sense import check_rig, pick_channel
from rigd.files.rig_shape import RigShape
from rigd.files.sections import read_sections
from rigd.files.specimen_shape import SpecimenShape
from rigd.files.together import find_conflicts, find_misfits
from rigd.model.errors import Fault, FilesRefused
from rigd.model.profile import Profile
from rigd.model.rig import Rig
from rigd.model.specimen import Specimen

FOLDERS = {"rig": "rigs", "profile": "tests", "specimen": "specimens"}
SUFFIX = ".yaml"


def load_rig(path: Path) -> Rig:
    """Raises FilesRefused."""
    return load_rig_bytes(read_bytes(path), str(path))


def load_profile(path: Path) -> Profile:
    """Raises FilesRefused."""
    return load_profile_bytes(read_bytes(path), str(path))


def load_specimen(path: Path) -> Specimen:
    """Raises FilesRefused."""
    return load_specimen_bytes(read_bytes(path), str(path))


def load_rig_bytes(raw: bytes, path: str) -> Rig:
    document = read(raw, path)
    sound = read_sections(document, RigShape, {"channels": pick_channel})
    check_rig(document, sound)
    return _finish(document, lambda: build_rig(document, sound))


def load_profile_bytes(raw: bytes, path: str) -> Profile:
    document = read(raw, path)
    sound = read_sections(document, ProfileShape, {"steps": pick_step})
    check_profile(document, sound)
    return _finish(document, lambda: build_profile(sound))


def load_specimen_bytes(raw: bytes, path: str) -> Specimen:
    document = read(raw, path)
    sound = read_sections(document, SpecimenShape, {})
    check_stretch(document, sound)
    return _finish(document, lambda: build_specimen(sound))


def check_together(rig: Rig, profile: Profile, *, rig_path: str = "", profile_path: str = "") -> tuple[Fault, ...]:
    """What is wrong only when these two meet. With the paths given, faults point at their lines."""
    return find_conflicts(rig, profile, _positions(rig_path, rig.name), _positions(profile_path, profile.name))


def check_specimen(profile: Profile, specimen: Specimen, *, profile_path: str = "") -> tuple[Fault, ...]:
    """What forbids this body in this test. With the path given, faults point at its lines."""
    return find_misfits(profile, specimen, _positions(profile_path, profile.name))


def find(name: str, kind: str) -> Path:
    """A path as it is, or a bare name as the file of that name that came with the package. Raises FilesRefused."""
    assert kind in FOLDERS, kind
    given = Path(name)
    if given.is_file() or given.suffix or len(given.parts) != 1:  # a folder called demo is not a rig
        return given
    folder = Path(str(importlib.resources.files("profiles"))) / FOLDERS[kind]
    shipped = sorted(path.stem for path in folder.glob(f"*{SUFFIX}"))
    if name in shipped:
        return folder / f"{name}{SUFFIX}"
    todo = suggest(name, shipped) or "Give a path to your own file"
    allowed = f"the path of a {kind} file, or one of {', '.join(shipped)}"
    raise FilesRefused((Fault(path=name, line=1, column=1, key="", found="no such file", allowed=allowed, todo=todo),))


def read_bytes(path: Path) -> bytes:
    """The exact bytes, a little more than the limit at most. Raises FilesRefused."""
    try:
        with path.open("rb") as file:
            return file.read(MAX_BYTES + 1)
    except (OSError, ValueError) as trouble:
        found = getattr(trouble, "strerror", None) or str(trouble)
        fault = Fault(path=str(path), line=1, column=1, key="", found=found, allowed="a file that can be read")
        raise FilesRefused((fault,)) from trouble


def load_any_bytes(raw: bytes, path: str) -> Rig | Profile | Specimen:
    """Which of the three kinds a file is, its own key says: `rig:`, `profile:` or `specimen:`. Raises FilesRefused."""
    document = read(raw, path)
    kinds = [kind for kind in FOLDERS if isinstance(document.data, dict) and kind in document.data]
    if not document.faults and len(kinds) != 1:
        allowed = "exactly one of the keys `rig`, `profile`, `specimen`, which says what the file is"
        document.fault((), " and ".join(kinds) or "none of them", allowed)
    if not kinds or len(kinds) > 1:
        raise FilesRefused(tuple(document.faults))
    return {"rig": load_rig_bytes, "profile": load_profile_bytes, "specimen": load_specimen_bytes}[kinds[0]](raw, path)


def _positions(path: str, name: str) -> Document:
    if not path:
        return Document(path=name)
    document = read(read_bytes(Path(path)), path)
    document.faults.clear()
    return document


def _finish(document: Document, build: Callable[[], Any]) -> Any:
    if document.faults:
        if document.full:
            found, allowed = f"{len(document.faults)} faults, and there may be more", "a sound file"
            document.faults.append(Fault(path=document.path, line=1, column=1, key="", found=found, allowed=allowed))
        raise FilesRefused(tuple(sorted(document.faults, key=lambda fault: (fault.line, fault.column))))
    return build()
