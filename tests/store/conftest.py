"""Hand-made runs for the store: no engine, no rig file, every shape of message."""

import hashlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from rigd.model.messages import (
    DeviceFault,
    Event,
    HostReport,
    Kick,
    Message,
    Opened,
    OperatorAction,
    Output,
    Prompt,
    Reading,
    Result,
    Scan,
    Tick,
    ValveCommand,
)
from rigd.model.rig import (
    Address,
    Agreement,
    Chamber,
    Channel,
    Control,
    Device,
    Independent,
    Relief,
    Rig,
    VentRule,
)
from rigd.store import seal
from rigd.store.disk import DISK, Disk
from rigd.store.journal import BlockBuilder, identity, read_blocks, segment_header, segment_path
from rigd.store.manifest import seal_folder

NAN = float("nan")
FILES = {"profile.yaml": b"name: ramped burst\n", "rig.yaml": b"name: demo\n", "specimen.yaml": b"id: K-07\n"}


def make_channel(name: str, device: int, kind: str, quantity: str) -> Channel:
    return Channel(
        name=name, device=device, role="other", quantity=quantity, type=kind,
        address=Address(table="holding", offset=0), order="ABCD", bit=0, signal=None, calibration=None,
        reference="gauge" if quantity == "pressure" else "",
        head_pa=0.0, range_low=0.0, range_high=1.0, tau_ns=0, resolution=1.0, accuracy=1.0, proof_pa=0.0,
        zero_limit=0.0, required=False, stale_ns=1, tapping="T1", module="M1", power="P1", display="psi",
        certificate="C-1", due="",
    )  # fmt: skip


def make_rig() -> Rig:
    devices = tuple(
        Device(name=name, driver="simulated", settings=(), scan_ns=10_000_000, timeout_ns=100_000_000)
        for name in ("io", "meter")
    )
    channels = (
        make_channel("specimen_a", 0, "int16", "pressure"),
        make_channel("door", 0, "bit", "switch"),
        make_channel("flow", 1, "float32", "flow"),
        make_channel("target", 1, "uint32", "pressure"),  # a name that would clash with a column of the row
        make_channel("water", 1, "uint16", "temperature"),
    )
    return Rig(
        name="demo", site="invented", simulated=True, devices=devices, channels=channels, outputs=(), rows=(),
        control=Control(kp=1.0, ki_per_s=1.0, period_ns=1, trim_pa=1.0),
        vent=VentRule(limit_pa=1.0, hold_ns=1, timeout_ns=1), agreement=Agreement(limit_pa=1.0, persistence_ns=1),
        relief=Relief(set_pa=1.0, reseat_pa=1.0, tested="", margin=0.1), parts=(), volumes=(),
        chamber=Chamber(rated_j=1.0, proved_by="", proved_on="", distance_m=1.0),
        independent=Independent(relief="", emergency_stop="", guard="", watchdog=""), approach_pa=1.0,
        ambient_pa=101_325.0, inlet_m3_per_s_pa=1.0, regulator_m3_per_s=1.0, watchdog_ns=1,
    )  # fmt: skip


def make_inputs(count: int) -> list[Message]:
    """Inputs of every kind, seq from 1, with hostile text and counts at the ends of their types."""
    made: list[Message] = [
        Opened(seq=1, t_ns=1000, run=7, utc_ns=1_795_000_000_000_000_000, version="0.1.0", rig_sha256="a" * 64,
               profile_sha256="b" * 64, specimen_sha256="c" * 64, latched=("door",))
    ]  # fmt: skip
    for seq in range(2, count + 1):
        t_ns, turn = seq * 10_000_000, seq % 11
        if turn == 3:
            made.append(Tick(seq=seq, t_ns=t_ns))
        elif turn == 5:
            text = 'x\u202e\n\x00"seq":9,"type":"Event" \ud800'
            made.append(
                OperatorAction(seq=seq, t_ns=t_ns, act="confirm", person=text, named=True, source="socket", prompt=1)
            )
        elif turn == 7:
            made.append(DeviceFault(seq=seq, t_ns=t_ns, device=1, fault="timeout", detail="meter: ütte\r"))
        elif turn == 9:
            made.append(HostReport(seq=seq, t_ns=t_ns, journal_lag_us=900, write_error="", free_bytes=1 << 40,
                                   missed_ticks=0, inbox_full=False, utc_ns=1_795_000_000_000_000_000))  # fmt: skip
        elif turn in (0, 6):
            counts = (0xFFFF_FFFF - seq, seq, 65535)
            made.append(Scan(seq=seq, t_ns=t_ns, device=1, age_us=-3, width_us=700, counts=counts))
        else:
            counts = (-32768 + seq * 3, seq % 2)
            made.append(Scan(seq=seq, t_ns=t_ns, device=0, age_us=300 + seq % 7, width_us=500, counts=counts))
    return made


def make_outputs(message: Message) -> list[Output]:
    """What an engine might say to this."""
    at = {"seq": message.seq, "t_ns": message.t_ns}
    if type(message) is Scan:
        n = len(message.counts)
        values = tuple(NAN if c % 5 == 0 else c / 3.0 for c in message.counts)
        if message.device == 0:
            values = (values[0], float(message.counts[1]))
        said: list[Output] = [
            Reading(**at, device=message.device, values=values, quality=(0,) * (n - 1) + (4,), step=-1,
                    cycle=message.seq, target_pa=NAN, highest_pa=message.seq / 7.0)
        ]  # fmt: skip
        if message.seq % 4 == 0:
            said.append(ValveCommand(**at, output=1, counts=0, raises=False))
            said.append(Kick(**at, output=5, counts=message.seq % 65536))
        return said
    if type(message) is OperatorAction:
        prompt = Prompt(**at, prompt=1, kind="choose", text="What was it?", field="", choices=("weep",), timeout_ns=0)
        data = (("a", 1), ("b", 0.1), ("c", None), ("d", True), ("e", "\udcff"), ("f", float("inf")))
        return [prompt, Event(**at, kind="refused", text=message.person, data=data)]
    return []


RESULT = Result(
    seq=1, t_ns=1, outcome="rupture", verdict="none", trace_class="collapse", signs=("pressure_fall",),
    observation="rupture", failure_raw_pa=1.0, failure_pa=1e5, failure_t_ns=1, bound_pa=0.1 + 0.2, bound_up_pa=5e-324,
    bound_down_pa=-0.0, highest_pa=1e300, highest_corrected_pa=None, time_to_failure_ns=1, ramp_pa_per_s=1.0,
    noise_pa=None, zero_pa=0.0, zero_shift_pa=0.0, first_out="", flags=("a",),
)  # fmt: skip


@dataclass
class MadeRun:
    """A run in a folder, with all that was said in it."""

    number: int
    folder: Path
    rig: Rig
    identity: bytes
    inputs: list[Message]
    outputs: list[Output] = field(default_factory=list)
    blocks: list[bytes] = field(default_factory=list)

    @property
    def readings(self) -> list[Reading]:
        return [said for said in self.outputs if type(said) is Reading]

    def seal(self, *, disk: Disk = DISK, **more: object) -> Path:
        """All segments, the joined files, the manifest; what is sealed already is not sealed again."""
        number = len(seal.sealed_segments(self.folder)) + 1
        while segment_path(self.folder, number).exists():
            reader = read_blocks(self.folder, first=number, last=number)
            blocks = list(reader)
            seal.seal_segment(blocks, self.readings, self.rig, self.folder, number, disk=disk)
            number += 1
            if reader.ending is not None:
                break
        if not (self.folder / "manifest.json").exists():
            seal.join_pieces(self.folder, self.identity, disk=disk)
        return seal_folder(self.folder, run=self.number, versions={"rigd": "0.1.0"}, disk=disk, **more)


def make_run(folder: Path, *, number: int, count: int, per_block: int, per_segment: int, closed: bool) -> MadeRun:
    folder.mkdir(parents=True)
    for name, data in FILES.items():
        (folder / name).write_bytes(data)
    (folder / "run.json").write_bytes(b'{"run": %d}' % number)
    hashes = tuple((name, hashlib.sha256(data).hexdigest()) for name, data in FILES.items())
    who = identity(run=number, version="0.1.0", files=hashes)
    run = MadeRun(number=number, folder=folder, rig=make_rig(), identity=who, inputs=make_inputs(count))
    builder = BlockBuilder(who)
    for at, message in enumerate(run.inputs, start=1):
        builder.add_input(message)
        for said in make_outputs(message):
            builder.add_output(said)
            run.outputs.append(said)
        if at % per_block == 0 or at == count:
            run.blocks.append(builder.take())
    builder.add_output(RESULT)  # a block of outputs only
    run.outputs.append(RESULT)
    run.blocks.append(builder.take())
    if closed:
        run.blocks.append(builder.close())
    (folder / "journal").mkdir()
    for segment, start in enumerate(range(0, len(run.blocks), per_segment), start=1):
        part = run.blocks[start : start + per_segment]
        header = segment_header(number=segment, identity=who, block=part[0])
        segment_path(folder, segment).write_bytes(header + b"".join(part))
    return run


@pytest.fixture
def run_maker(tmp_path: Path) -> Iterator[Callable[..., MadeRun]]:
    """make(name, number=, count=, per_block=, per_segment=, closed=) -> MadeRun"""

    def make(name: str = "run", **shape: int) -> MadeRun:
        usual = {"number": 7, "count": 60, "per_block": 8, "per_segment": 4, "closed": True}
        return make_run(tmp_path / name, **(usual | shape))

    yield make
