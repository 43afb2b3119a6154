"""From what a person typed to a Job: files found, loaded and checked against each other, the specimen's facts put in.

What the run is built from is exactly what its record will hold: where facts come from the command line, the specimen
file is written anew and it is that text which counts.
"""

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

from rigd.live.job import Job, Mounted
from rigd.model.errors import Fault, FilesRefused, UsageRefused
from rigd.model.specimen import FACTS

SPECIMEN_ID_LIMIT = 64
UNKNOWN = 0  # how many stations the rig has
STATION = re.compile(r"(\d{1,3})=(.+)")
FACT_OF = re.compile(r"(\d{1,3}):(.+)")


def load_job(
    *,
    profile: str,
    rig: str,
    specimens: tuple[str, ...],
    facts: tuple[str, ...] = (),
    records: Path,
    person: str,
    named: bool,
    confirm: tuple[str, ...] = (),
    key: Path | None = None,
) -> Job:
    """Load all that a run is made of. `specimens`: ID|FILE, for a rig with several stations STATION=ID|FILE each.

    Raises FilesRefused with every fault, or UsageRefused.
    """
    from rigd.files import load, units

    faults: list[Fault] = []
    rig_shape, rig_bytes, rig_path = _read(rig, "rig", load.load_rig_bytes, faults)
    profile_shape, profile_bytes, profile_path = _read(profile, "profile", load.load_profile_bytes, faults)
    stations = rig_shape.stations if rig_shape is not None else UNKNOWN
    simulated = rig_shape is not None and rig_shape.simulated
    mounted = []
    for number, text in _by_station(specimens, stations):
        data, path = _specimen_text(text, _facts_of(facts, number), simulated)
        shape = _keep_faults(lambda data=data, path=path: load.load_specimen_bytes(data, path), faults)
        mounted.append((number, shape, data))
    if rig_shape and profile_shape:
        faults += load.check_together(rig_shape, profile_shape, rig_path=rig_path, profile_path=profile_path)
    for _, shape, _ in mounted:
        if profile_shape and shape:
            faults += load.check_specimen(profile_shape, shape, profile_path=profile_path)
    if faults:
        raise FilesRefused(tuple(faults))
    assert rig_shape and profile_shape
    _check_confirmed(confirm, [shape.id for _, shape, _ in mounted], named)
    _check_facts(facts, [number for number, _, _ in mounted])
    return Job(
        rig=rig_shape,
        profile=profile_shape,
        mounted=tuple(Mounted(station=at, specimen=shape, specimen_bytes=data) for at, shape, data in mounted),
        rig_bytes=rig_bytes,
        profile_bytes=profile_bytes,
        display_pa=units.parse(f"1 {profile_shape.display}", units.PRESSURE),
        records=records,
        person=person,
        named=named,
        confirmed=bool(confirm),
        key=key,
    )


def _by_station(specimens: tuple[str, ...], stations: int) -> list[tuple[int, str]]:
    """(station, ID|FILE) of each, by station; the station of a rig that has only one is 0. With a rig file that is
    refused nobody knows how many it has, and its faults are what is told."""
    found: dict[int, str] = {}
    for text in specimens:
        named = STATION.fullmatch(text)
        if stations > 1 and named is None:
            raise UsageRefused(f"--specimen {text}: this rig has {stations} stations; allowed: STATION=ID, as 1={text}")
        number, what = (int(named[1]), named[2]) if named else (1, text)
        if stations == UNKNOWN:
            found[number] = what
            continue
        if not 1 <= number <= stations:
            raise UsageRefused(f"--specimen {text}: allowed: a station from 1 to {stations}")
        if number in found:
            raise UsageRefused(f"--specimen {text}: station {number} has {found[number]} already; one specimen each")
        found[number] = what
    if not found:
        raise UsageRefused("no --specimen is named; a run needs one")
    ids = list(found.values())
    if twice := [what for what in ids if ids.count(what) > 1]:
        raise UsageRefused(f"--specimen {twice[0]} is named twice; a specimen is at one station")
    return [(number if stations > 1 else 0, found[number]) for number in sorted(found)]


def _facts_of(facts: tuple[str, ...], number: int) -> tuple[str, ...]:
    """The facts about the specimen of this station: its own, and those about all."""
    split = [(FACT_OF.fullmatch(text), text) for text in facts]
    return tuple(named[2] if named else text for named, text in split if named is None or int(named[1]) in (number, 0))


def _check_facts(facts: tuple[str, ...], numbers: list[int]) -> None:
    for text in facts:
        named = FACT_OF.fullmatch(text)
        if named is not None and int(named[1]) not in numbers:
            there = ", ".join(str(number) for number in numbers if number) or "none: the rig has one"
            raise UsageRefused(f"--set {text!r}: no specimen is at station {named[1]}; allowed: {there}")


def _check_confirmed(confirm: tuple[str, ...], ids: list[str], named: bool) -> None:
    """All or none, each by its name: what starts by itself is what a person has looked at, and nothing beside it."""
    if twice := [each for each in ids if ids.count(each) > 1]:
        raise UsageRefused(f"specimen {twice[0]} is at two stations; each has an id of its own")
    for each in confirm:
        if each not in ids:
            names = "the specimen" if len(ids) == 1 else "a specimen"
            raise UsageRefused(f"--confirm {each!r} does not name {names}; allowed: {', '.join(ids)}")
    if confirm and (missing := [each for each in ids if each not in confirm]):
        raise UsageRefused(f"--confirm is given for some; not for {', '.join(missing)}. Name each specimen, or none")
    if confirm and not named:
        raise UsageRefused("--confirm arms and starts, which needs a person's name: give --operator NAME")


def _read(name: str, kind: str, load_bytes: Callable[[bytes, str], Any], faults: list[Fault]) -> tuple[Any, bytes, str]:
    """Find, read and load one file, keeping its faults so that those of the others are told with them."""
    from rigd.files import load

    data, path = b"", name

    def read() -> Any:
        nonlocal data, path
        path = str(load.find(name, kind))
        data = load.read_bytes(Path(path))
        return load_bytes(data, path)

    return _keep_faults(read, faults), data, path


def _keep_faults(read: Callable[[], Any], faults: list[Fault]) -> Any:
    try:
        return read()
    except FilesRefused as refused:
        faults += refused.faults
        return None


def _specimen_text(specimen: str, facts: tuple[str, ...], simulated: bool) -> tuple[bytes, str]:
    """Return the specimen file's bytes and what to call them in an error: a file, or one written here for a bare id.

    A bare id takes the shipped example of that name only on a simulated rig: its facts are invented.
    """
    from importlib import resources

    path = Path(specimen)
    if path.suffix in (".yaml", ".yml") or path.exists():
        try:
            data = path.read_bytes()
        except OSError as error:
            raise UsageRefused(
                f"--specimen {specimen}: {error.strerror}; allowed: an id or a file that is there"
            ) from None
    else:
        if not specimen or len(specimen) > SPECIMEN_ID_LIMIT or not specimen.isprintable():
            raise UsageRefused(
                f"--specimen {specimen!r}: allowed: an id of 1 to {SPECIMEN_ID_LIMIT} characters, or a file"
            )
        shipped = resources.files("profiles") / "specimens" / f"{specimen}.yaml"
        known = simulated and "/" not in specimen and shipped.is_file()
        data = shipped.read_bytes() if known else _dump({"specimen": specimen})
    return (_with_facts(data, facts), specimen) if facts else (data, specimen)


def _with_facts(data: bytes, facts: tuple[str, ...]) -> bytes:
    import yaml

    try:
        known = yaml.safe_load(data)
    except yaml.YAMLError:
        return data  # the loader tells what is wrong with it, and where
    if not isinstance(known, dict):
        return data
    for text in facts:
        name, equals, value = text.partition("=")
        if not equals or name.strip() not in FACTS or not value.strip():
            raise UsageRefused(f"--set {text!r}: allowed: FACT=VALUE with FACT one of {', '.join(FACTS)}")
        known[name.strip()] = value.strip()
    return _dump(known)


def _dump(known: dict[str, Any]) -> bytes:
    import yaml

    return yaml.safe_dump(known, sort_keys=False, allow_unicode=True).encode()
