"""`rigd doctor --walk` and what follows from it: the table, what lapses, and who may leave a rig alone.

Walks are played under virtual time into real sealed records; one goes over the wire, with a simulated person at the
control socket and hands at the simulated iron.
"""

import contextlib
import json
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from rigd.calc.exact.days import DAY_NS, day_number
from rigd.cli import walks
from rigd.cli.job import load_job
from rigd.closing.closer import close_run
from rigd.control import Client
from rigd.files.load import find, load_rig
from rigd.live.record import OpenRecord
from rigd.model import errors
from rigd.model.states import READY, RESETTABLE, SAFE_TO_OPEN
from rigd.model.walk import CHECKS
from rigd.report.checks import checks_of, describe_checks
from simulator.person import Person
from simulator.plant import Plant
from simulator.world import Names, World

RIG = load_rig(find("demo", "rig"))
NOW_NS = time.time_ns()


def record_walk(records: Path, *faults: str, utc_ns: int = NOW_NS, rig: str = "demo") -> Path:
    """A walk of a rig, sealed as the closing process seals it."""
    job = load_job(profile="commissioning", rig=rig, specimens=("blank",), facts=("mounting=plug",), records=records,
                   person="A. Novak", named=True)  # fmt: skip
    (mounted,) = job.mounted
    record = OpenRecord(
        records, rig=job.rig.name, profile=job.profile.name, specimen="blank", files=job.files(mounted), patient=True
    )
    plant, person = Plant(job.rig, seed=3, body="strong", faults=faults), Person("A. Novak", 3)
    names = Names(run=record.run, utc_ns=utc_ns, version="0")
    World(job.rig, job.profile, mounted.specimen, plant, person, record.builder, record.hand_over, names).run()
    record.close()
    close_run(record.folder, None, with_plot=False)
    return record.folder


@pytest.fixture(scope="module")
def walked(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A records folder with a failed walk and, after it, a passed one."""
    records = tmp_path_factory.mktemp("walked")
    record_walk(records, "transducers_apart")
    record_walk(records)
    return records


def reasons(records: Path, rig=RIG, data: bytes = b"", utc_ns: int = NOW_NS) -> list[str]:
    return walks.why_not_unattended(rig, data or find("demo", "rig").read_bytes(), records, utc_ns)


def test_a_walk_is_a_sound_record_that_replays_and_reports_its_checks(walked, rigd):
    verified = rigd("runs", "verify", "--records", walked)
    assert verified.code == 0, verified.out + verified.err
    for number, outcome in ((1, "not_commissioned"), (2, "commissioned")):
        told = rigd("runs", "replay", f"R{number:04d}", "--records", walked)
        assert told.code == 0, told.out + told.err
        shown = json.loads(rigd("runs", "show", f"R{number:04d}", "--records", walked, "--json").out)
        assert shown["outcome"] == outcome
    report = rigd("runs", "show", "R0001", "--records", walked).out
    assert "FAILED    transducers agree" in report and "passed    supply is isolated" in report


def test_doctor_shows_when_each_check_of_this_very_file_last_passed(walked, rigd, tmp_path):
    told = rigd("doctor", "--rig", "demo", "--records", walked)
    assert told.code == 0 and "May run unattended." in told.out
    assert told.out.count("run 2") == len(CHECKS) - 1 and "not possible here" in told.out
    by_program = json.loads(rigd("doctor", "--rig", "demo", "--records", walked, "--json").out)
    assert by_program["last_passed"]["isolation"]["run"] == 2 and by_program["not_unattended"] == []
    changed = tmp_path / "demo.yaml"
    changed.write_bytes(find("demo", "rig").read_bytes() + b"# a word more\n")
    told = rigd("doctor", "--rig", changed, "--records", walked)
    assert told.code == errors.NOT_MET and "never passed" in told.out and "2 more" in told.out
    assert "exactly this rig file was never walked" in told.out


def test_unattended_is_refused_with_every_reason(walked, rigd, tmp_path):
    assert reasons(walked) == []
    assert "31.0 days old" in reasons(walked, utc_ns=NOW_NS + 31 * DAY_NS)[0]
    late_ns = (day_number(RIG.relief.tested) + 366) * DAY_NS
    assert any("relief valve was tested" in words for words in reasons(walked, utc_ns=late_ns))
    text = find("demo", "rig").read_text()
    for line in ("commissioned_within: ", "  test_every: "):
        text = "".join(row for row in text.splitlines(keepends=True) if not row.startswith(line))
    bare = tmp_path / "bare.yaml"
    bare.write_text(text.replace("  guard: interlocked steel chamber door", "  guard: none"))
    told = rigd("run", "ramped-burst", "--rig", bare, "--specimen", "K-07", "--operator", "A. Novak", "--unattended",
                "--records", walked)  # fmt: skip
    assert told.code == errors.CONFIGURATION and not told.out
    for due in ("commissioned_within: 30 day", "test_every: 365 day", "never walked", "no independent guard"):
        assert due in told.err, due


def test_only_the_newest_walk_counts_and_an_altered_one_is_told(tmp_path, forge):
    record_walk(tmp_path)
    record_walk(tmp_path, "relay_welded")
    found = " ".join(reasons(tmp_path))
    assert "run 2" in found and "did not pass: watchdog relay lets go" in found and "never made" not in found
    newest = record_walk(tmp_path)
    assert reasons(tmp_path) == []
    path = newest / "run.json"
    path.chmod(0o640)
    newest.chmod(0o750)
    forge.rewrite(path, lambda data: data.replace(b'"passed"', b'"passe d"', 1))
    assert any("not as it was sealed" in words for words in reasons(tmp_path)), "believed though altered"


def test_the_table_names_what_was_not_done():
    assert describe_checks(()) == []
    walk = [{"kind": "check", "verdict": verdict, "text": f"x: {text}", "data": [["check", check], ["fall_ns", figure]]}
            for check, verdict, text, figure in (("outputs", "passed", "a", 0), ("outputs", "failed", "b", 0),
                                                 ("vent", "passed", "c", 60))]  # fmt: skip
    assert checks_of(walk)["outputs"]["verdict"] == "failed" and checks_of(walk)["vent"]["measured"]["fall_ns"] == 60
    lines = describe_checks(walk)
    assert "  FAILED    outputs follow and fall back" in lines and any("FAILED: b" in line for line in lines)
    assert "  NOT DONE  supply is isolated" in lines


def test_what_does_not_go_together_is_refused(rigd, tmp_path):
    for words in (("doctor",), ("doctor", "--walk"), ("doctor", "--walk", "--validate", "--rig", "demo"),
                  ("doctor", "--walk", "--rig", "demo", "--station", "2")):  # fmt: skip
        assert rigd(*words, *(() if words == ("doctor",) else ("--records", tmp_path))).code == errors.USAGE, words


# --- over the wire -----------------------------------------------------------------------------------------------

WAIT_S = 180.0  # a walk takes most of a minute of real time; a busy machine takes longer
QUICKER = {  # than the shipped walk, with every check of it
    "bleed: 8 s": "bleed: 4 s",
    "pressures: [30 psi, 100 psi, 200 psi]": "pressures: [30 psi, 60 psi]",
    "settle: 2 s": "settle: 1 s",
    "charge: 150 psi": "charge: 60 psi",
    "shut_for: 10 s": "shut_for: 3 s",
    "charge: 100 psi": "charge: 60 psi",
}


@pytest.mark.live
def test_a_person_walks_the_rig_over_the_control_socket(tmp_path: Path) -> None:
    environment = os.environ | {"RIGD_RUNTIME": str(tmp_path / "rt"), "NO_COLOR": "1", "COLUMNS": "120"}
    with contextlib.ExitStack() as stack:
        iron = stack.enter_context(subprocess.Popen(
            [sys.executable, "-m", "simulator", "--port", "0", "--seed", "3", "--body", "strong"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE,
        ))  # fmt: skip
        stack.callback(iron.kill)
        port = json.loads(iron.stdout.readline())["listening"]
        rig = tmp_path / "demo.yaml"
        text = find("demo", "rig").read_text().replace("port: 5020", f"port: {port}")
        rig.write_text(text.replace("timeout: 100 ms", "timeout: 500 ms").replace("stale: 100 ms", "stale: 500 ms"))
        walk = find("commissioning", "profile").read_text()
        for shipped, quicker in QUICKER.items():
            assert walk.count(shipped) == 1, shipped
            walk = walk.replace(shipped, quicker)
        (tmp_path / "walk.yaml").write_text(walk)
        doctor = stack.enter_context(subprocess.Popen(
            [sys.executable, "-m", "rigd.cli.main", "doctor", "--walk", "--rig", str(rig), "--operator", "A. Novak",
             "--records", str(tmp_path / "records"), "--profile", str(tmp_path / "walk.yaml")],
            env=environment, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        ))  # fmt: skip
        stack.callback(doctor.kill)
        opening = be_the_person(tmp_path / "rt" / "demo.sock", iron, doctor)
        said, trouble = doctor.communicate(timeout=60)
    assert doctor.returncode == 0, said[-3000:] + trouble
    assert "\nCOMMISSIONED: rig demo" in said and "let go" in said and "not possible here" in said
    assert SAFE_TO_OPEN in opening


def connect(socket: Path, doctor: subprocess.Popen, ends_s: float) -> Client:
    """As soon as it answers: a socket may be there before anybody listens at it."""
    while True:
        try:
            return Client(socket)
        except errors.RigUnreachable:
            assert doctor.poll() is None and time.monotonic() < ends_s, doctor.communicate()
            time.sleep(0.05)


def be_the_person(socket: Path, iron: subprocess.Popen, doctor: subprocess.Popen) -> set[str]:
    """Do what is asked until the process closes; returns what was said of opening up."""
    ends_s, opening, done = time.monotonic() + WAIT_S, set(), set()
    work = {"emergency_stop": ("stop pressed", "stop released"), "door": ("door open", "door shut")}
    with connect(socket, doctor, ends_s) as client, contextlib.suppress(errors.RigUnreachable):
        client.ask("watch")
        for frame in client.frames(WAIT_S):
            assert time.monotonic() < ends_s, "the walk does not end"
            if frame.kind == "closed":
                break
            if frame.kind != "view":
                continue
            view = frame.body
            opening.add(view["opening"])
            prompt = view["prompt"]
            if prompt and prompt["prompt"] not in done:
                done.add(prompt["prompt"])
                for order in work.get(prompt["field"], ()):
                    iron.stdin.write(order.encode() + b"\n")
                    iron.stdin.flush()
                    time.sleep(0.5)
                client.ask("confirm", person="A. Novak", named=True, prompt=prompt["prompt"], answer="done")
            elif view["trip_state"] == RESETTABLE:
                client.ask("reset", person="A. Novak", named=True)
            elif view["state"] in (READY, "ARMED") and not prompt:
                client.ask("arm" if view["state"] == READY else "start", person="A. Novak", named=True)
    return opening
