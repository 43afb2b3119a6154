"""Stations in a rig file: what is repeated, what is shared, and that everything is checked at each of them."""

from dataclasses import replace

import jsonschema
import pytest

from rigd.files import load, units
from rigd.files.document import read
from rigd.files.schema import schema_of
from rigd.model.errors import FilesRefused
from rigd.model.stations import of_station

PSI = 6894.757293168362
TEXT = load.find("demo-surge", "rig").read_text(encoding="utf-8")
STATION_BITS = "[holding:16, holding:17, holding:18, holding:19]"
BITS_OF_THREE = "[holding:16, holding:17, holding:18]"


def test_what_is_repeated_is_numbered_and_what_is_shared_is_not():
    rig = load.load_rig(load.find("demo-surge", "rig"))
    assert rig.stations == 4
    by_name = {channel.name: channel for channel in rig.channels}
    assert [by_name[f"specimen_b_{n}"].address.offset for n in (1, 2, 3, 4)] == [4, 5, 6, 7]
    assert [by_name[f"wet_{n}"].station for n in (1, 2, 3, 4)] == [1, 2, 3, 4]
    assert by_name["tank"].station == by_name["door"].station == 0
    assert by_name["specimen_a_3"].display == "psi" and by_name["held_peak_2"].role == "held_peak"
    outputs = {output.name: output for output in rig.outputs}
    assert outputs["air_valve_2"].role == "air" and outputs["air_valve_2"].station == 2
    for name, read_back in (("vent_valve_4", "vent_shut_4"), ("supply_valve", "supply_open")):
        assert rig.channels[outputs[name].read_back].name == read_back
    rows = {row.name: row for row in rig.rows}
    assert rig.channels[rows["overpressure_a_3"].channel] is by_name["specimen_a_3"]
    assert "door_opened" in rows and "door_opened_1" not in rows


def test_each_station_is_a_rig_that_guards_itself():
    rig = load.load_rig(load.find("demo-surge", "rig"))
    roles = [sorted(channel.role for channel in of_station(rig, n).rig.channels) for n in (1, 2, 3, 4)]
    assert roles[0] == roles[1] == roles[2] == roles[3] and roles[0].count("specimen") == 2
    for number in (1, 2, 3, 4):
        own = of_station(rig, number).rig
        guarded = {own.channels[row.channel].name for row in own.rows if row.kind == "trip" and row.test == "above"}
        assert guarded == {f"specimen_a_{number}", f"specimen_b_{number}", "tank"}


def test_a_device_for_each_station():
    rig = load.load_rig(load.find("demo-surge-8", "rig"))
    assert rig.stations == len(rig.devices) == 8
    primary = [of_station(rig, n).rig.channels[0] for n in range(1, 9)]
    assert [rig.devices[channel.device].name for channel in primary] == [f"io_{n}" for n in range(1, 9)]
    assert {channel.address.offset for channel in primary} == {0}
    assert {device.scan_ns for device in rig.devices} == {5_000_000}, "200 times a second"
    assert len({dict(device.settings)["port"] for device in rig.devices}) == 8


def test_one_station_may_say_each_and_is_numbered():
    text = TEXT.replace("stations: 4", "stations: 1")
    for first in (0, 4, 8, 16, 110, 114, 118, 122):
        four = ", ".join(f"holding:{at}" for at in range(first, first + 4))
        text = text.replace(f"[{four}]", f"[holding:{first}]")
    rig = load.load_rig_bytes(text.encode(), "x")
    assert rig.stations == 1 and rig.channels[0].name == "specimen_a_1" and rig.channels[0].station == 1
    assert of_station(rig, 1).rig is rig


OTHER_CHANNELS = """  poppet:
    role: displacement
    station: 2
    device: io
    address: holding:30
    type: int16
    signal: {counts: [4000, 20000], mA: [4 mA, 20 mA]}
    calibration: {two_point: [[4 mA, 0 mm], [20 mA, 20 mm]]}
    plausible: [-1 mm, 21 mm]
    lag: 2 ms
    accuracy: 0.05 mm
    required: false
  scale:
    role: catch
    device: io
    address: holding:31
    type: int16
    signal: {counts: [0, 20000]}
    calibration: {two_point: [[0 counts, 0 g], [20000 counts, 2 kg]]}
    plausible: [-10 g, 2.1 kg]
    lag: 100 ms
    accuracy: 1 g
    required: false
  make_up:
    role: make_up_flow
    device: io
    address: holding:32
    type: int16
    signal: {counts: [0, 20000]}
    calibration: {two_point: [[0 counts, 0 mL/min], [20000 counts, 200 mL/min]]}
    plausible: [0 mL/min, 210 mL/min]
    lag: 100 ms
    accuracy: 1 mL/min
    required: false
  gas:
    role: gas_temperature
    device: io
    address: holding:33
    type: int16
    signal: {counts: [0, 5000]}
    calibration: {two_point: [[0 counts, 0 degC], [5000 counts, 50 degC]]}
    plausible: [-5 degC, 60 degC]
    lag: 1 s
    accuracy: 0.5 K
    required: false

outputs:"""
OTHER_ROW = """rows:
  poppet_far:
    kind: interlock
    channel: poppet
    above: 18 mm
    persistence: 1 s
    when: [RUNNING]
    action: hold
    reason: the poppet has left its seat
"""


def test_something_at_one_station_only():
    """A displacement channel that only station 2 has, and a guard on it."""
    text = TEXT.replace("\noutputs:", OTHER_CHANNELS, 1).replace("rows:\n", OTHER_ROW, 1)
    rig = load.load_rig_bytes(text.encode(), "x")
    by_name = {channel.name: channel for channel in rig.channels}
    assert (by_name["poppet"].station, by_name["poppet"].quantity) == (2, "position")
    assert by_name["scale"].quantity == "mass" and by_name["scale"].range_high == pytest.approx(2.1)
    assert by_name["make_up"].range_high == pytest.approx(210e-6 / 60) and by_name["gas"].quantity == "temperature"
    has = [any(row.name == "poppet_far" for row in of_station(rig, n).rig.rows) for n in (1, 2, 3, 4)]
    assert has == [False, True, False, False]


def test_mass_units():
    # NIST SP 811 B.9: pound (avoirdupois) 0.453 592 37 kg exactly, ounce 2.834 952 E-02 kg.
    assert units.parse("1 lb", units.MASS) == 0.45359237
    assert units.parse("1 oz", units.MASS) == pytest.approx(0.02834952, rel=2e-7)
    assert units.parse("20 g", units.MASS) == 0.02


INLET = "    station: each\n    device: io\n    address: [holding:110, holding:111, holding:112, holding:113]\n"
WET = "wet, station: each, device: io, address: "
RETURNED = "returned, station: each, device: io, address: [holding:16, holding:"
FREE = "[holding:40, holding:41, holding:42, holding:43]"
LONG = "a123456789b123456789c123456789d12345678"


def beside(line: str) -> tuple[str, str]:
    """One more channel."""
    return "  supply_open: {", f"  {line}\n  supply_open: {{"


REFUSED = {
    "more stations than are": (
        "channels.wet.station", "1 to 4",
        (WET + STATION_BITS, "wet, station: §5, device: io, address: holding:30"),
    ),
    "station in other words": (
        "channels.wet.station", "`each` for all stations", ("wet, station: each", "wet, station: §all"),
    ),
    "no number of stations": (
        "channels.specimen_a.station", "the key `stations`", ("stations: 4\n", ""),
        ("role: specimen\n    station: each", "role: specimen\n    station: §each"),
    ),
    "nine stations": ("stations", "at most 8", ("stations: 4", "stations: §9")),
    "an address too few": (
        "channels.wet.address", "4 of them",
        (WET + STATION_BITS, f"{WET}§{BITS_OF_THREE}"),
    ),
    "one address for all": (
        "channels.wet.address", "a list of 4",
        (WET + STATION_BITS, f"{WET}§holding:30"),
    ),
    "a list that is shared": (
        "channels.tank.address", "only `station: each`", ("address: holding:12\n", "address: §[holding:12]\n"),
    ),
    "an address in the list that is none": (
        "channels.specimen_b.address[2]", "holding:6 or 40007", ("holding:5, holding:6", "holding:5, §6"),
    ),
    "an address that another station has": (
        "channels.specimen_b.address[0]", "not taken by specimen_a of station 4",
        ("[holding:4, holding:5", "[§holding:3, holding:5"),
    ),
    "a bit twice": (
        "channels.wet.address[1]", "not taken by returned of station 1",
        (STATION_BITS + ", bit: 1", "[holding:17, §holding:16, holding:18, holding:19], bit: 0"),
        (RETURNED + "17", RETURNED + "37"),
    ),
    "an output's register twice": (
        "outputs.vent_valve.address[3]", "not taken by inlet_valve of station 1", ("holding:121]", "§holding:110]"),
    ),
    "a device that is none": (
        "channels.wet.device[1]", "a device of this file",
        ("wet, station: each, device: io", "wet, station: each, device: [io, §iq, io, io]"),
    ),
    "an inlet that is shared": (
        "outputs.inlet_valve.station", "no two stations share it",
        ("  inlet_valve: #", "  §inlet_valve: #"), (INLET, "    device: io\n    address: holding:110\n"),
        ("read_back: inlet_open", "read_back: supply_open"),
        ("read_back: supply_open\n    agree_within: 300", "read_back: inlet_open_now\n    agree_within: 300"),
        beside("inlet_open_now: {role: read_back, device: io, address: holding:15, bit: 5}"),
    ),
    "an isolating valve without read-back": (
        "outputs.air_valve.read_back", "seen to do as told",
        ("read_back: air_open\n    agree_within: 100 ms", "read_back: §none"),
    ),
    "a read-back of other stations": (
        "outputs.inlet_valve.read_back", "a channel with `station: each`, as inlet_valve",
        ("read_back: inlet_open", "read_back: §door_shown"),
        beside("door_shown: {role: read_back, device: io, address: holding:15, bit: 5}"),
    ),
    "a read-back of two valves": (
        "outputs.air_valve.read_back", "inlet_valve has this one", ("read_back: air_open", "read_back: §inlet_open"),
    ),
    "a station without its second transducer": (
        "channels", "1 with `role: specimen` at station 2",
        ("channels:\n", "§channels:\n"),
        ("specimen\n    station: each\n    device: io\n    address: [holding:4, holding:5, holding:6, holding:7]",
         "specimen\n    station: 1\n    device: io\n    address: holding:4"),
    ),
    "a station without a vent": (
        "outputs", "no output with `role: vent` at station 1",
        ("outputs:\n", "§outputs:\n"),
        ("vent\n    station: each\n    device: io\n    address: [holding:118, holding:119, holding:120, holding:121]",
         "vent\n    station: 2\n    device: io\n    address: holding:118"),
    ),
    "no trip on one transducer of all stations": (
        "rows", "no overpressure trip on specimen_b", ("rows:\n", "§rows:\n"),
        ("channel: specimen_b", "channel: specimen_a"),
    ),
    "one transducer twice, at every station": (
        "channels.specimen_b.power", "two channels that share one are one", ("power: 24 V B", "power: §24 V A"),
    ),
    "a name that a repeated one gets": (
        "channels.wet_2", "a name that wet does not get",
        beside("§wet_2: {role: other, quantity: switch, device: io, address: holding:15, bit: 9}"),
    ),
    "a name too long to be numbered": (
        f"channels.{LONG}", "at most 38",
        beside(f"§{LONG}: {{role: other, quantity: switch, station: each, device: io, address: {FREE}}}"),
    ),
    "two switches for one part": (
        "channels.returned.role", "each such role once; back has it",
        beside("back: {role: returned, station: 3, device: io, address: holding:40}"),
        ("{role: returned, station: each", "{role: §returned, station: each"),
    ),
    "a word of another switch": (
        "rows.dry.is", "wet or dry",
        ("rows:\n",
         "rows:\n  dry: {kind: permissive, channel: wet, is: §shut, persistence: 1 s, when: [READY], reason: r}\n"),
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_broken_stations_are_refused_where_they_are_broken(name, refuse):
    key, words, *edits = REFUSED[name]
    count = {"a station without a vent": 2}.get(name, 1)
    refuse("rig", TEXT, key, words, *edits, count=count)


@pytest.mark.parametrize(
    ("path", "value"),
    [
        (("stations",), 0),
        (("stations",), "four"),
        (("channels", "wet", "station"), "all"),
        (("channels", "wet", "address"), ["holding:1", 2]),
        (("channels", "wet", "address"), []),
        (("outputs", "air_valve", "role"), "gas"),
        (("outputs", "air_valve", "device"), [7]),
    ],
)
def test_the_schema_refuses_the_same(path, value):
    data = read(TEXT.encode(), "x").data
    here = data
    for part in path[:-1]:
        here = here[part]
    here[path[-1]] = value
    assert list(jsonschema.Draft202012Validator(schema_of("rig")).iter_errors(data))


def test_every_station_is_loaded_alike():
    """The four stations differ in addresses and names and in nothing else."""
    rig = load.load_rig(load.find("demo-surge", "rig"))
    first = of_station(rig, 1).rig
    for number in (2, 3, 4):
        own = of_station(rig, number).rig
        for one, other in zip(first.channels, own.channels, strict=True):
            same = replace(other, name=one.name, address=one.address, station=one.station)
            assert same == one
        for one, other in zip(first.rows, own.rows, strict=True):
            assert replace(other, name=one.name) == one


def test_all_faults_of_a_rig_with_stations_come_at_once():
    text = TEXT.replace("power: 24 V B", "power: 24 V A").replace("limit: 3 psi", "limit: 0.7 psi")
    with pytest.raises(FilesRefused) as refused:
        load.load_rig_bytes(text.encode(), "x")
    assert [fault.key for fault in refused.value.faults] == [
        "channels.specimen_b.power", "vent.limit", "vent.isolation_test.rise"
    ]  # fmt: skip
