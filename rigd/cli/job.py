"""From what a person typed to a Job: files found, loaded and checked against each other, the specimen's facts put in.

What the run is built from is exactly what its record will hold: where facts come from the command line, the specimen
file is written anew and it is that text which counts.
"""

from collections.abc import Callable
from pathlib import Path
from typing import Any

from rigd.live.daemon import Job
from rigd.model.errors import Fault, FilesRefused, UsageRefused
from rigd.model.specimen import FACTS

SPECIMEN_ID_LIMIT = 64


def load_job(
    *,
    profile: str,
    rig: str,
    specimen: str,
    facts: tuple[str, ...],
    records: Path,
    person: str,
    named: bool,
    confirm: str,
    key: Path | None = None,
) -> Job:
    """Load all that a run is made of. Raises FilesRefused with every fault, or UsageRefused."""
    from rigd.files import load, units

    faults: list[Fault] = []
    rig_shape, rig_bytes, rig_path = _read(rig, "rig", load.load_rig_bytes, faults)
    profile_shape, profile_bytes, profile_path = _read(profile, "profile", load.load_profile_bytes, faults)
    specimen_bytes, specimen_path = _specimen_text(specimen, facts, rig_shape is not None and rig_shape.simulated)
    specimen_shape = _keep_faults(lambda: load.load_specimen_bytes(specimen_bytes, specimen_path), faults)
    if rig_shape and profile_shape:
        faults += load.check_together(rig_shape, profile_shape, rig_path=rig_path, profile_path=profile_path)
    if faults:
        raise FilesRefused(tuple(faults))
    assert rig_shape and profile_shape and specimen_shape
    if confirm and confirm != specimen_shape.id:
        raise UsageRefused(f"--confirm {confirm!r} does not name the specimen; allowed: {specimen_shape.id}")
    if confirm and not named:
        raise UsageRefused("--confirm arms and starts, which needs a person's name: give --operator NAME")
    return Job(
        rig=rig_shape,
        profile=profile_shape,
        specimen=specimen_shape,
        rig_bytes=rig_bytes,
        profile_bytes=profile_bytes,
        specimen_bytes=specimen_bytes,
        display_pa=units.parse(f"1 {profile_shape.display}", units.PRESSURE),
        records=records,
        person=person,
        named=named,
        confirmed=bool(confirm),
        key=key,
    )


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
