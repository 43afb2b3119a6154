"""What an inspector found on a specimen after its test: failure modes from a closed list, where, how large, photos.

Kept beside the sealed record as a numbered series (store.beside), because looking takes its time and may be done
again: a second inspector's finding stands next to the first and says whether it was made blind. Photos are kept with
it, cleaned of their place and bound by their SHA-256. An inspector may call the test invalid, for a reason from a
closed list and saying whether the number had been seen: whoever knows the number may not want it.
"""

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rigd.model.errors import RecordAltered, UsageRefused
from rigd.model.observations import FAILURE_MODES, INVALID_REASONS, LENGTH_MODES
from rigd.store import beside
from rigd.store.authorisation import check_person, stamp
from rigd.store.disk import DISK, READ_ONLY, Disk, read_file, write_file
from rigd.store.keys import RigKey
from rigd.store.photo import MAX_PHOTO_BYTES, clean_photo
from rigd.store.verification import Findings

FOLDER, PHOTOS = "inspections", "photos"
FORMAT = 1
MAX_PHOTOS = 20
MAX_TEXT = 200
KEYS = (
    "blind", "counts_as", "format", "invalid", "length_m", "location", "mode", "number_seen", "person", "photos",
    "second", "size", "utc",
)  # fmt: skip
SERIES = beside.Series(folder=FOLDER, letter="I", noun="inspection", keys=KEYS)

Photo = tuple[str, bytes]
"""(name it was given by, bytes)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """One finding as read and checked."""

    number: int
    run: int
    record: str
    manifest_sha256: str
    person: str
    utc: str
    mode: str
    counts_as: str  # the observation
    length_m: float | None
    location: str
    size: str
    second: bool
    blind: str  # "yes", "no" or "" for the first
    invalid: str  # a key of INVALID_REASONS or ""
    number_seen: str  # "yes", "no" or ""
    photos: tuple[str, ...]  # file names in PHOTOS
    public_key: str

    @property
    def words(self) -> str:
        length = f" {1e3 * self.length_m:.3g} mm" if self.length_m is not None else ""
        where = f", {self.location}" if self.location else ""
        size = f", {self.size}" if self.size else ""
        who = f"{'second inspector ' if self.second else ''}{self.person} at {self.utc}"
        blind = {"yes": ", blind", "no": ", not blind"}.get(self.blind, "")
        photos = f", {len(self.photos)} photo{'s' if len(self.photos) != 1 else ''}" if self.photos else ""
        seen = "the number had been seen" if self.number_seen == "yes" else "before the number was seen"
        invalid = f"; INVALID: {INVALID_REASONS[self.invalid]} ({seen})" if self.invalid else ""
        return f"{self.mode}{length}{where}{size} by {who}{blind}{photos}{invalid}"


def inspect(
    findings: Findings,
    *,
    person: str,
    mode: str,
    modes: Mapping[str, str],
    utc_ns: int,
    length_m: float | None = None,
    location: str = "",
    size: str = "",
    second: bool = False,
    blind: str = "",
    invalid: str = "",
    number_seen: str = "",
    photos: tuple[Photo, ...] = (),
    key: RigKey | None = None,
    disk: Disk = DISK,
) -> Path:
    """Write a finding about a record that was just verified; `modes` maps each mode allowed to what it counts as.

    Raises UsageRefused in words, RecordAltered, CannotWrite when the disk fails.
    """
    check_person("--operator", person)
    _check_choices(mode, modes, length_m, second, blind, invalid, number_seen)
    for option, text in (("--location", location), ("--size", size)):
        if len(text) > MAX_TEXT or not (text.isprintable() or not text):
            raise UsageRefused(f"{option}: allowed: one line of at most {MAX_TEXT} characters")
    if len(photos) > MAX_PHOTOS:
        raise UsageRefused(f"--photo: found {len(photos)}; allowed: at most {MAX_PHOTOS}")
    if not findings.ok:
        raise RecordAltered(("it is not what was sealed, so nothing can be said beside it", *findings.findings))
    record = findings.folder.resolve()
    cleaned = [clean_photo(data, name) for name, data in photos]
    hashes = [[f"{at}{suffix}", hashlib.sha256(data).hexdigest()] for at, (data, suffix) in enumerate(cleaned, 1)]

    def keep_photos(place: Path, number: int) -> None:
        folder = place / PHOTOS
        folder.mkdir(mode=0o750, exist_ok=True)
        for at, (data, suffix) in enumerate(cleaned, 1):
            write_file(folder / f"I{number:04d}_{at}{suffix}", data, disk=disk, mode=READ_ONLY)

    return beside.append(
        SERIES, record.parent, record=record.name, run=findings.run, manifest_sha256=findings.manifest_sha256, key=key,
        content={
            "format": FORMAT, "person": person.strip(), "utc": stamp(utc_ns), "mode": mode, "counts_as": modes[mode],
            "length_m": length_m, "location": location, "size": size, "second": second, "blind": blind,
            "invalid": invalid, "number_seen": number_seen, "photos": hashes,
        },
        before=keep_photos, disk=disk,
    )  # fmt: skip


def _check_choices(
    mode: str, modes: Mapping[str, str], length_m: float | None, second: bool, blind: str, invalid: str, seen: str
) -> None:
    if mode not in modes:
        raise UsageRefused(f"--mode {mode!r}: allowed: {', '.join(modes)}")
    if mode in LENGTH_MODES and length_m is None:
        raise UsageRefused(f"--mode {mode} needs its length: give --length, such as --length '12 mm'")
    if second != bool(blind) or blind not in ("", "yes", "no"):
        raise UsageRefused("--second and --blind yes|no belong together: a second look says whether it was blind")
    if invalid and invalid not in INVALID_REASONS:
        raise UsageRefused(f"--invalid {invalid!r}: allowed: {', '.join(INVALID_REASONS)}")
    if bool(invalid) != bool(seen) or seen not in ("", "yes", "no"):
        raise UsageRefused("--invalid and --number-seen yes|no belong together")


def allowed_modes(of_lab: tuple[tuple[str, str], ...] = ()) -> dict[str, str]:
    """Each mode and the observation it counts as: the list that ships, and the lab's own."""
    return {mode: counts_as for mode, (_, counts_as) in FAILURE_MODES.items()} | dict(of_lab)


def of_record(findings: Findings) -> tuple[tuple[Inspection, ...], tuple[str, ...]]:
    """The inspections of one verified record, and in words those that speak of it and do not hold."""
    record = findings.folder.resolve()
    everyone, wrong = beside.read_all(SERIES, record.parent, _check)
    own, found = beside.of_record(
        everyone, wrong, series=SERIES, record=record.name, run=findings.run or 0,
        manifest_sha256=findings.manifest_sha256,
    )  # fmt: skip
    return tuple(_inspection(one) for one in own), found + _wrong_photos(own)


def of_folder(records: Path) -> tuple[tuple[Inspection, ...], tuple[str, ...]]:
    """All inspections of a records folder that hold, and in words all that do not."""
    everyone, wrong = beside.read_all(SERIES, records, _check)
    return tuple(_inspection(one) for one in everyone), wrong + _wrong_photos(everyone) + _stray_photos(
        records, everyone
    )


def _photo_names(one: beside.Statement) -> tuple[str, ...]:
    return tuple(f"I{one.number:04d}_{name}" for name, _ in one.content["photos"])


def _wrong_photos(statements: tuple[beside.Statement, ...]) -> tuple[str, ...]:
    found = []
    for one in statements:
        for name, (_, sha256) in zip(_photo_names(one), one.content["photos"], strict=True):
            try:
                data = read_file(one.path.parent / PHOTOS / name, limit=MAX_PHOTO_BYTES)
            except OSError as error:
                found.append(f"photo {name} cannot be read: {error.strerror or error}")
                continue
            if hashlib.sha256(data).hexdigest() != sha256:
                found.append(f"photo {name} was altered: its SHA-256 is not the one in its inspection")
    return tuple(found)


def _stray_photos(records: Path, statements: tuple[beside.Statement, ...]) -> tuple[str, ...]:
    folder = records / FOLDER / PHOTOS
    known = {name for one in statements for name in _photo_names(one)}
    there = sorted(path.name for path in folder.iterdir()) if folder.is_dir() and not folder.is_symlink() else []
    return tuple(f"photo {name!r} belongs to no inspection" for name in there if name not in known)


def _check(content: dict[str, Any]) -> None:
    texts = ("person", "utc", "mode", "counts_as", "location", "size", "blind", "invalid", "number_seen")
    if content["format"] != FORMAT or not all(isinstance(content[name], str) for name in texts):
        raise ValueError("a field has another shape")
    if content["invalid"] not in ("", *INVALID_REASONS) or type(content["second"]) is not bool:
        raise ValueError("a field has a value that no inspection has")
    if not (content["length_m"] is None or isinstance(content["length_m"], (int, float))):
        raise ValueError("its length is no number")
    photos = content["photos"]
    if not isinstance(photos, list) or len(photos) > MAX_PHOTOS:
        raise ValueError("its photos are no list")
    for entry in photos:
        if not (isinstance(entry, list) and len(entry) == 2 and all(isinstance(text, str) for text in entry)):
            raise ValueError("a photo has another shape")
        if "/" in entry[0] or not entry[0].isprintable():
            raise ValueError("a photo lies somewhere else")


def _inspection(one: beside.Statement) -> Inspection:
    content = {name: one.content[name] for name in KEYS if name not in ("format", "photos")}
    return Inspection(
        number=one.number, run=one.run, record=one.record, manifest_sha256=one.manifest_sha256,
        photos=_photo_names(one), public_key=one.public_key, **content,
    )  # fmt: skip
