"""What a rig file says once for every station, said for each: the file as one station has it, and the whole rig.

`station: each` repeats a channel or output for every station, `station: 2` puts it at one, and without the key it is
shared by all. A guard on a repeated channel is repeated with it. In the view of a station everything keeps the name it
has in the file, so that whatever is checked there is told at the line where it stands. In the whole rig what is
repeated is numbered: specimen_a becomes specimen_a_1, specimen_a_2 and so on.
"""

from typing import Any

from rigd.files.document import Document, Path
from rigd.files.fields import EACH

BLOCKS = ("channels", "outputs")
LONGEST_REPEATED = 38  # characters of a name that is repeated: it gets _1 to _8 and must not pass 40
KEYS_PER_STATION = ("address", "device")


def count_of(sound: dict[str, Any]) -> int:
    """How many stations; 1 when the file does not say."""
    return int(sound.get("stations") or 1)


def check_stations(document: Document, sound: dict[str, Any]) -> None:
    """Note what is wrong with the keys of stations, and leave out what nobody could place."""
    count = count_of(sound)
    for block in BLOCKS:
        entries = sound.get(block)
        if isinstance(entries, dict):
            sound[block] = {
                name: shape
                for name, shape in entries.items()
                if _is_placed(document, (block, name), shape, count, "stations" in sound)
            }
    _check_repeated_names(document, sound, count)


def _is_placed(document: Document, path: Path, shape: Any, count: int, is_said: bool) -> bool:
    before = len(document.faults)
    at = (*path, "station")
    if shape.station is not None and not is_said:
        if ("stations",) not in document.keys and ("stations",) not in document.told:
            document.told.add(("stations",))  # once is enough: it is the one key that is missing
            allowed = "the key `stations` at the top: how many there are"
            document.fault(at, document.found(at), allowed, "Add `stations: 4`")
        return False
    if isinstance(shape.station, int) and shape.station > count:
        document.fault(at, document.found(at), f"a station from 1 to {count}, as `stations` says")
    for key in KEYS_PER_STATION:
        value, here = getattr(shape, key), (*path, key)
        if not isinstance(value, list):
            continue
        if shape.station != EACH:
            document.fault(here, "a list", f"one {key}: only `station: each` has a list, one a station")
        elif len(value) != count:
            document.fault(here, f"a list of {len(value)}", f"{count} of them, one a station")
    is_listed = any(isinstance(getattr(shape, key), list) for key in KEYS_PER_STATION)
    if shape.station == EACH and count > 1 and not is_listed:
        document.fault((*path, "address"), document.found((*path, "address")), f"a list of {count}, one a station")
    if shape.station == EACH and len(str(path[-1])) > LONGEST_REPEATED:
        document.fault(path, document.found(path), f"a name of at most {LONGEST_REPEATED}, to be numbered", at_key=True)
    return len(document.faults) == before


def _check_repeated_names(document: Document, sound: dict[str, Any], count: int) -> None:
    """A name that is written may not be one that a repeated entry gets."""
    for block in (*BLOCKS, "rows"):
        entries = sound.get(block)
        if not isinstance(entries, dict):
            continue
        made = {f"{name}_{n}": name for name in entries for n in range(1, count + 1) if is_repeated(sound, block, name)}
        for name in entries:
            if name in made:
                allowed = f"a name that {made[name]} does not get when it is repeated for every station"
                document.fault((block, name), f"the name {name}", allowed, at_key=True)


def is_repeated(sound: dict[str, Any], block: str, name: str) -> bool:
    """Whether this entry stands for one at every station."""
    shape = sound[block][name]
    if block == "rows":
        shape = (sound.get("channels") or {}).get(shape.channel)
    return shape is not None and shape.station == EACH


def view_of(sound: dict[str, Any], number: int) -> dict[str, Any]:
    """The file as the station `number` has it, by the names as written."""
    view = dict(sound)
    for block in BLOCKS:
        entries = sound.get(block)
        if isinstance(entries, dict):
            view[block] = {
                name: placed(shape, number) for name, shape in entries.items() if shape.station in (None, EACH, number)
            }
    channels, rows = sound.get("channels") or {}, sound.get("rows")
    if isinstance(rows, dict):
        elsewhere = set(channels) - set(view["channels"] or {}) if channels else set()
        view["rows"] = {name: row for name, row in rows.items() if row.channel not in elsewhere}
    return view


def views_of(sound: dict[str, Any]) -> list[dict[str, Any]]:
    return [view_of(sound, number) for number in range(1, count_of(sound) + 1)]


def placed(shape: Any, number: int) -> Any:
    """One of a repeated entry: its own address and device, and the number of its station."""
    if shape.station != EACH:
        return shape
    own = {key: getattr(shape, key) for key in KEYS_PER_STATION}
    own = {key: value[number - 1] if isinstance(value, list) else value for key, value in own.items()}
    return shape.model_copy(update={**own, "station": number})


def spread(sound: dict[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    """The whole rig, what is repeated numbered; and for each channel the name under which it is written."""
    numbers = range(1, count_of(sound) + 1)
    whole, written = dict(sound), {}
    for block in BLOCKS:
        whole[block] = {}
        for name, shape in sound[block].items():
            for number in numbers if shape.station == EACH else (0,):
                own = f"{name}_{number}" if number else name
                whole[block][own] = _numbered(placed(shape, number), number, sound)
                written[own] = name
    whole["rows"] = {}
    for name, row in sound["rows"].items():
        if is_repeated(sound, "rows", name):
            for number in numbers:
                whole["rows"][f"{name}_{number}"] = row.model_copy(update={"channel": f"{row.channel}_{number}"})
        else:
            whole["rows"][name] = row
    return whole, written


def _numbered(shape: Any, number: int, sound: dict[str, Any]) -> Any:
    """An output that is repeated is read back by the channel of its own station."""
    read_back = getattr(shape, "read_back", None)
    if number and read_back in sound["channels"] and sound["channels"][read_back].station == EACH:
        return shape.model_copy(update={"read_back": f"{read_back}_{number}"})
    return shape
