"""Broken files: each must be refused at the right line and column, by key, in words, and without dragging others along.

A case edits a shipped file; the mark § stands where the fault must point and is taken out before loading.
"""

from pathlib import Path
from typing import NamedTuple

import pytest

from rigd.files import load
from rigd.model.errors import BAD_DATA, FilesRefused

SHIPPED = {"rig": "demo", "profile": "ramped-burst", "specimen": "K-07"}
TEXTS = {kind: load.find(name, kind).read_text(encoding="utf-8") for kind, name in SHIPPED.items()}
MARK = "§"


class Case(NamedTuple):
    kind: str
    edits: tuple[tuple[str, str], ...]
    key: str
    words: tuple[str, ...]


def rig(key: str, words: str, *edits: tuple[str, str]) -> Case:
    return Case("rig", edits, key, tuple(words.split("|")))


def profile(key: str, words: str, *edits: tuple[str, str]) -> Case:
    return Case("profile", edits, key, tuple(words.split("|")))


def specimen(key: str, words: str, *edits: tuple[str, str]) -> Case:
    return Case("specimen", edits, key, tuple(words.split("|")))


WIRED = "type: int16\n    signal: {counts: [4000, 20000], mA: [4 mA, 20 mA]}\n    calibration: "
KILO = "{two_point: [[4 mA, 0 psi], [20 mA, 1000 psi]]}\n    reference: "
SUPPLY_LINE = "calibration: {two_point: [[4 mA, 0 psi], [20 mA, 4000 psi]]}"
PROOF = "      pressure: 25 psi"
_FROM = TEXTS["profile"].index("  - proof:")
PROOF_STEP = TEXTS["profile"][_FROM : TEXTS["profile"].index("  - ramp:", _FROM)]

CASES = {
    # What YAML itself may do to a careless author.
    "duplicate key": rig("site", "again|first on line", ("simulated: true", "simulated: true\n§site: elsewhere")),
    "anchor": rig("", "anchor|no anchors", ("site: invented lab", "site: §&here invented lab")),
    "alias": rig("", "alias", ("site: invented lab", "site: §*here")),
    "tag": rig("", "tag|no tags", ("port: 5020", "port: §!!str 5020")),
    "python tag": rig("", "tag", ("site: invented lab", "site: §!!python/object/apply:os.getcwd []")),
    "octal": rig("devices.io.port", "octal", ("port: 5020", "port: §0o5020")),
    "leading zero": rig("devices.io.port", "octal", ("port: 5020", "port: §05020")),
    "hexadecimal": rig("devices.io.port", "decimal", ("port: 5020", "port: §0x139c")),
    "sexagesimal": profile("steps[1].fill.bleed", "colons|90 s", ("bleed: 8 s", "bleed: §1:30")),
    "not a number": rig("control.gain", "finite", ("gain: 0.5", "gain: §.nan")),
    "infinity": rig("control.gain", "finite", ("gain: 0.5", "gain: §-.inf")),
    "yes is not true": rig("simulated", "true or false", ("simulated: true", "simulated: §yes")),
    "nothing given": rig("relief.set", "found nothing|take the key out", ("set: 600 psi", "set:§")),
    "tab": rig("", "YAML", ("  io: #", "§\tio: #")),
    "second document": rig("", "second document", ("site: invented lab", "§---\nsite: invented lab")),
    # Quantities.
    "bare number": rig("relief.set", "bare number|unit after 600", ("set: 600 psi", "set: §600")),
    "bare text": rig("relief.set", "bare number", ("set: 600 psi", 'set: §"600"')),
    "wrong dimension": rig("relief.set", "unit of time", ("set: 600 psi", "set: §600 s")),
    "gauge unit": rig("relief.set", "Write psi|reference: gauge", ("set: 600 psi", "set: §600 psig")),
    "absolute unit": rig("approach", "Write bar|reference: absolute", ("approach: 40 psi", "approach: §3 bar(a)")),
    "decimal comma": rig("relief.set", "comma", ("set: 600 psi", "set: §600,5 psi")),
    "unit in capitals": rig("relief.set", "did you mean psi?", ("set: 600 psi", "set: §600 PSI")),
    "tolerance in a quantity": rig("relief.set", "tolerance", ("set: 600 psi", "set: §600 psi ± 5 psi")),
    "nan with a unit": rig("relief.set", "Not-a-number", ("set: 600 psi", "set: §nan psi")),
    "quantity out of bounds": rig("watchdog", "from 50 ms to 500 ms", ("watchdog: 500 ms", "watchdog: §2 s")),
    "a point is no difference": rig(
        "channels.water_temperature.accuracy", "delta_degC", ("accuracy: 0.5 K", "accuracy: §0.5 degC")
    ),
    # Keys and names.
    "unknown key": rig(
        "relief.reset", "Did you mean reseat?", ("  reseat: 540 psi", "  reseat: 540 psi\n  §reset: 540 psi")
    ),
    "unknown block": rig("extras", "the keys rig, site", ("watchdog: 500 ms", "watchdog: 500 ms\n§extras: 1")),
    "missing key": rig(
        "relief.tested", "found nothing|Add `tested:`", ("relief:\n", "§relief:\n"), ("  tested: 2026-06-12\n", "")
    ),
    "missing block": rig(
        "agreement",
        "found nothing|the key `agreement`",
        ("agreement: #", "x_agreement: #"),
        ("rig: demo", "§rig: demo"),
    ),
    "unknown device": rig(
        "channels.tank.device",
        "a device of this file: io",
        ("role: feed\n    device: io", "role: feed\n    device: §iq"),
    ),
    "unknown channel": rig("rows.tank_overpressure.channel", "Did you mean tank?", ("channel: tank", "channel: §tnak")),
    "unknown role": rig("channels.tank.role", "Did you mean feed?", ("role: feed", "role: §feeed")),
    "bad name": rig(
        "channels.Tank 1", "small letters", ("  tank: #", "  §Tank 1: #"), ("channel: tank", "channel: Tank 1")
    ),
    "unknown read-back": rig(
        "outputs.supply_valve.read_back", "Did you mean", ("read_back: supply_open", "read_back: §supply_opn")
    ),
    "no such switch word": rig("rows.door_shut.is", "open or shut", ("is: shut", "is: §seated")),
    "no such state": rig("rows.supply_low.when[0]", "Did you mean RUNNING?", ("when: [RUNNING]", "when: [§RUNING]")),
    "no such day": rig("relief.tested", "no such day", ("tested: 2026-06-12", "tested: §2026-02-30")),
    # Addresses.
    "bare address": rig("channels.tank.address", "holding:2 or 40003", ("address: holding:2", "address: §2")),
    "address taken": rig("channels.tank.address", "not taken by specimen_b", ("address: holding:2", "address: §40002")),
    "address not writable": rig("outputs.inlet_valve.address", "cannot be written", ("holding:101", "§input:101")),
    "offset too high": rig("channels.tank.address", "0 to 65535", ("address: holding:2", "address: §holding:70000")),
    # Signals.
    "wrong signal": rig(
        "channels.tank.calibration.two_point[0][0]",
        "a signal in mA",
        (
            "address: holding:2\n    " + WIRED + "{two_point: [[4 mA,",
            "address: holding:2\n    " + WIRED + "{two_point: [[§4 V,",
        ),
    ),
    "flat calibration": rig(
        "channels.supply.calibration.two_point",
        "follows the signal",
        ("two_point: [[4 mA, 0 psi], [20 mA, 4000 psi]]", "two_point: §[[4 mA, 0 psi], [20 mA, 0 psi]]"),
    ),
    "two calibrations": rig(
        "channels.supply.calibration",
        "one of two_point",
        (SUPPLY_LINE, "calibration: §{two_point: [[4 mA, 0 psi], [20 mA, 9 psi]], polynomial: [0 psi, 1 psi/mA]}"),
    ),
    "polynomial unit": rig(
        "channels.supply.calibration.polynomial[1]",
        "psi/mA",
        (SUPPLY_LINE, "calibration: {polynomial: [0 psi, §62.5 psi]}"),
    ),
    "float without resolution": rig(
        "channels.supply.resolution",
        "no count",
        ("  supply: # the nitrogen", "  §supply: # the nitrogen"),
        ("address: holding:3\n    type: int16", "address: holding:30\n    type: float32"),
    ),
    # Safety of the rig.
    "energised without a reason": rig(
        "outputs.vent_valve.counts.safe",
        "safe_reason|De-energise",
        (
            "address: holding:102\n    counts: {safe: 0, energised: 1}",
            "address: holding:102\n    counts: {safe: §1, energised: 0}",
        ),
    ),
    "valve not read back": rig(
        "outputs.fill_valve.read_back",
        "seen to do as told",
        ("read_back: fill_open\n    agree_within: 300 ms", "read_back: §none"),
    ),
    "mains below nothing": rig(
        "outputs.fill_valve.pressure", "safe not below energised|below the other",
        ("pressure: {safe: 0 psi, energised: 50 psi}", "pressure: §{safe: 60 psi, energised: 50 psi}"),
    ),
    "two of one role": rig("outputs.fill_valve.role", "once|inlet_valve", ("role: fill", "role: §inlet")),
    "trip that holds": rig(
        "rows.relief_lifted.action",
        "vent|interlock may hold",
        ("action: vent\n    reset_by: supervisor", "action: §hold\n    reset_by: supervisor"),
    ),
    "trip nobody may reset": rig(
        "rows.relief_lifted.reset_by",
        "anyone",
        ("  relief_lifted:", "  §relief_lifted:"),
        ("    reset_by: supervisor\n", ""),
    ),
    "permissive while running": rig(
        "rows.door_shut.when[1]",
        "for arming",
        (
            "when: [VENTED, READY]\n    reason: the chamber must",
            "when: [VENTED, §RUNNING, READY]\n    reason: the chamber must",
        ),
    ),
    "overpressure not guarded": rig(
        "rows",
        "no overpressure trip on specimen_b",
        ("rows:\n", "§rows:\n"),
        ("channel: specimen_b", "channel: specimen_a"),
    ),
    "trip above reseat": rig(
        "rows.overpressure_b.above",
        "513 psi|relief reseat",
        ("channel: specimen_b\n    above: 500 psi", "channel: specimen_b\n    above: §520 psi"),
    ),
    "reseat above set": rig("relief.reseat", "570 psi|relief set", ("reseat: 540 psi", "reseat: §590 psi")),
    "relief above the hose": rig(
        "relief.set", "665 psi|hose", ("hose: 800 psi", "hose: 700 psi"), ("set: 600 psi", "set: §690 psi")
    ),
    "relief above the transducer": rig(
        "relief.set",
        "transducer specimen_b",
        (
            "proof: 1500 psi\n    zero_limit: 5 psi\n    tapping: line tee",
            "proof: 620 psi\n    zero_limit: 5 psi\n    tapping: line tee",
        ),
        ("set: 600 psi", "set: §600 psi"),
    ),
    "vent limit below proof": rig(
        "vent.limit", "can prove no less", ("limit: 5 psi\n  hold", "limit: §2.5 psi\n  hold")
    ),
    "one transducer twice": rig(
        "channels.specimen_b.power", "two channels that share one are one", ("power: 24 V B", "power: §24 V A")
    ),
    "references mixed": rig(
        "channels.specimen_b.reference",
        "gauge, as specimen_a",
        ("address: holding:1\n    " + WIRED + KILO + "gauge", "address: holding:1\n    " + WIRED + KILO + "§sealed"),
    ),
    "slow scan": rig(
        "devices.io.scan", "at most 250 ms", ("scan: 10 ms", "scan: §300 ms"), ("stale: 100 ms", "stale: 400 ms")
    ),
    # Profiles.
    "rate and window": profile(
        "steps[3].ramp",
        "`rate`, or `window`",
        ("  - ramp:", "  - §ramp:"),
        ("rate: 15 psi/s", "rate: 15 psi/s\n      window: [60 s, 70 s]"),
    ),
    "ceiling above max": profile("steps[3].ramp.ceiling", "450 psi", ("ceiling: 450 psi", "ceiling: §460 psi")),
    "proof above 25 psi": profile("steps[2].proof.pressure", "B31.3-2016 345.5", (PROOF, "      pressure: §60 psi")),
    "no proof": profile(
        "steps[2].ramp", "a `proof` step before it|skips", (PROOF_STEP, ""), ("  - ramp:", "  - §ramp:")
    ),
    "unknown step": profile("steps[3].rmap", "Did you mean ramp?", ("  - ramp:", "  - §rmap:")),
    "no vent": profile(
        "steps[4].ask", "a `vent` step before it", ("  - vent:\n      name: Vent\n", ""), ("  - ask:", "  - §ask:")
    ),
    "fact not asked": profile("required", "missing: mounting", ("required: #", "§required: #"), ("  - mounting\n", "")),
    "minimum nobody can pass": profile("minimum", "nothing can pass", ("minimum: none", "minimum: §500 psi")),
    # Specimens.
    "no such choice": specimen("surroundings", "immersed, in air", ("surroundings: in air", "surroundings: §in oil")),
    "lot read as a number": specimen("lot", 'quotes: "2026"', ("lot: K2026-31", "lot: §2026")),
    "id that is a path": specimen("specimen", "letters, digits", ("specimen: K-07", "specimen: §../../etc")),
    "temperature without unit": specimen(
        "water_temperature", "bare number", ("water_temperature: 21 degC", "water_temperature: §21")
    ),
}
CASCADES = {"missing block": 2, "two of one role": 2, "bad name": 3}  # two pockets look at a channel without a name
"""Cases where one slip is rightly told in more than one place."""


def edited(case: Case) -> tuple[bytes, tuple[int, int]]:
    text = TEXTS[case.kind]
    for old, new in case.edits:
        assert old in text, f"the shipped file no longer says {old!r}"
        text = text.replace(old, new, 1)
    before = text[: text.index(MARK)]
    assert text.count(MARK) == 1
    place = (before.count("\n") + 1, len(before) - (before.rfind("\n") + 1) + 1)
    return text.replace(MARK, "").encode(), place


LOADERS = {
    "rig": load.load_rig_bytes,
    "profile": load.load_profile_bytes,
    "specimen": load.load_specimen_bytes,
}


@pytest.mark.parametrize("name", CASES)
def test_broken_file_is_refused_where_it_is_broken(name):
    case = CASES[name]
    raw, place = edited(case)
    with pytest.raises(FilesRefused) as refused:
        LOADERS[case.kind](raw, "broken.yaml")
    faults = refused.value.faults
    told = "\n".join(str(fault) for fault in faults)
    matching = [fault for fault in faults if (fault.line, fault.column) == place and fault.key == case.key]
    assert matching, f"wanted {place} {case.key}, got:\n{told}"
    assert all(word in str(matching[0]) for word in case.words), told
    assert len(faults) <= CASCADES.get(name, 1), f"one slip, {len(faults)} faults:\n{told}"
    assert refused.value.exit_code == BAD_DATA
    assert all(fault.path == "broken.yaml" and fault.found and fault.allowed for fault in faults)


def test_every_fault_at_once():
    """Slips in different blocks are all told, those that need several blocks among them, in the order of the file."""
    names = (
        "bare address",
        "flat calibration",
        "energised without a reason",
        "trip above reseat",
        "vent limit below proof",
    )
    raw = TEXTS["rig"]
    for name in names:
        for old, new in CASES[name].edits:
            raw = raw.replace(old, new, 1)
    places = [line for line, text in enumerate(raw.splitlines(), 1) for _ in range(text.count(MARK))]
    with pytest.raises(FilesRefused) as refused:
        load.load_rig_bytes(raw.replace(MARK, "").encode(), "broken.yaml")
    assert [fault.line for fault in refused.value.faults] == sorted(places)
    assert {fault.key for fault in refused.value.faults} == {CASES[name].key for name in names}


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"", "an empty file"),
        (b"\n \n", "an empty file"),
        (b"# only words\n", "without any key"),
        (b"\x00\x01\x02rig", "YAML"),
        (b"rig: \xff\xfe", "byte 0xff"),
        (b"just words", "a block of keys"),
        (b"[1, 2]", "a block of keys"),
        (b"rig: x\n" * 40_000, "at most 262144 bytes"),
        (b"a: " + b"[" * 200 + b"]" * 200, "nesting deeper than 20"),
        (b"a: " + b"[" * 100_000, "nesting deeper than 20"),
        (b"a: " + b"{a: " * 50_000, "nesting deeper than 20"),
        (b"{" * 200_000, "nesting deeper than 20"),
        (b"rig: [1, 2", "YAML"),
        (b"? [a, b]\n: c\n", "keys that are words"),
        (b"rig: " + b"9" * 5000, "integer of at most"),
        (b"\xef\xbb\xbfrig: x", "the key `site`"),
    ],
)
def test_files_that_are_no_files(raw, words):
    with pytest.raises(FilesRefused, match=words) as refused:
        load.load_rig_bytes(raw, "broken.yaml")
    assert all(fault.line >= 1 and fault.column >= 1 for fault in refused.value.faults)


def test_unreadable_paths(tmp_path):
    for path, words in (
        (tmp_path, "Is a directory"),
        (tmp_path / "absent.yaml", "No such file"),
        (Path("/dev/null"), "an empty file"),
        (Path("a\0b"), "null byte"),
        (Path("x" * 5000), "too long"),
    ):
        with pytest.raises(FilesRefused, match=words):
            load.load_rig(path)
    assert Path("/dev/zero").exists()
    with pytest.raises(FilesRefused, match="at most"):
        load.load_rig(Path("/dev/zero"))  # endless, yet no more than the limit is read
