"""The rig process as a person meets it: real processes, real Modbus TCP, real signals.

What is looked at is outside the process: its exit code and words, its record, and the rig's own registers afterwards.
"""

import json
import os
import resource
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from rigd.model import errors
from rigd.store.keys import make_key
from rigd.store.runs import list_runs, verify_records

PSI = 6894.757293168361  # [Pa], NIST SP 811 (2008) appendix B.8: 1 psi = 6.894757 E+03 Pa
pytestmark = pytest.mark.live


def result_of(process: subprocess.Popen[str]) -> dict:
    said, trouble = process.communicate(timeout=60)
    assert said, trouble
    return json.loads(said)


def wait_for(true: Callable[[], bool], seconds: float = 30.0) -> None:
    deadline = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < deadline, "it did not come to pass"
        time.sleep(0.05)


def test_a_whole_run_from_two_terminals(bench) -> None:
    """A weak body breaks early; a second terminal answers. The record is sealed, sound and says the same."""
    bench.simulate("--seed", "5", "--body", "early")
    process = bench.start("--confirm", "K-07")
    bench.view(lambda view: view["prompt"] and view["prompt"]["field"] == "observation", process)
    slip = bench.rigd("confirm", "burst", "--operator", "B. Kim")
    assert slip.returncode == errors.USAGE and "rupture" in slip.stderr and "Traceback" not in slip.stderr
    answered = bench.rigd("confirm", "rupture", "--operator", "B. Kim")
    assert answered.returncode == 0, answered.stderr
    result = result_of(process)
    assert process.returncode == errors.DONE
    assert result["outcome"] in ("early", "rupture") and result["observation"] == "rupture"
    assert result["replay"] == "identical"
    verified = bench.rigd("runs", "verify", "--records", str(bench.records), "--json")
    assert verified.returncode == 0 and json.loads(verified.stdout)["sound"]
    listed = json.loads(bench.rigd("runs", "list", "--records", str(bench.records), "--json").stdout)
    assert [(row["run"], row["outcome"]) for row in listed] == [(1, result["outcome"])]


def test_verbs_are_granted_and_refused_in_words(bench) -> None:
    bench.simulate()
    process = bench.start()
    bench.view(lambda view: view["state"] == "READY", process)
    early = bench.rigd("start", "--operator", "B. Kim")
    assert early.returncode == errors.NOT_PERMITTED and "arm first" in early.stderr
    nameless = bench.rigd("arm")
    assert nameless.returncode == errors.NOT_PERMITTED and "--operator" in nameless.stderr
    armed = bench.rigd("arm", "--operator", "B. Kim")
    assert armed.returncode == 0 and "ARMED" in armed.stdout and "rigd start" in armed.stdout
    status = json.loads(bench.rigd("status", "--json").stdout)
    assert status["state"] == "ARMED" and status["specimen"] == "K-07" and status["devices"] == {"io": "up"}
    busy = bench.rigd("channels", "read", "--rig", str(bench.rig), "--json")
    values = {row["channel"]: row for row in json.loads(busy.stdout)}
    assert values["door"]["value"] == 1 and values["specimen_a"]["quality"] == "good"
    second = bench.start()
    _, trouble = second.communicate(timeout=30)
    assert second.returncode == errors.BUSY and "one rig is one process" in trouble
    vented = bench.rigd("vent")
    assert vented.returncode == 0, "venting needs no name"
    assert result_of(process)["outcome"] == "stopped" and process.returncode == errors.STOPPED


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_a_signal_vents_proves_and_closes_the_record(bench, number: int) -> None:
    bench.simulate()
    process = bench.start("--confirm", "K-07")
    bench.view(lambda view: view["state"] == "RUNNING", process)
    process.send_signal(number)
    result = result_of(process)
    assert (process.returncode, result["outcome"]) == (errors.STOPPED, "stopped")


@pytest.mark.alone
def test_killed_in_mid_ramp(bench) -> None:
    """kill -9 under pressure: the relay vents by itself, at most 250 ms are lost, the record says interrupted, and the
    next start raises nothing. With a key, what was recorded is signed up to the last second and sealed by the next."""
    key = make_key(bench.folder / "rig.key")
    bench.environment["RIGD_KEY"] = str(bench.folder / "rig.key")
    bench.simulate()
    process = bench.start("--confirm", "K-07")
    last = bench.view(lambda view: view["pressure_pa"] and view["pressure_pa"] > 60 * PSI, process)
    process.kill()
    process.wait()

    def vented() -> bool:
        read = json.loads(bench.rigd("channels", "read", "--rig", str(bench.rig), "--json").stdout)
        values = {row["channel"]: row["value"] for row in read}
        shut = [values[name] for name in ("supply_open", "inlet_open", "vent_shut", "fill_open")]
        return shut == [0, 0, 0, 0] and values["specimen_a"] < 5 * PSI

    wait_for(vented)
    again = bench.start()
    opened = bench.view(lambda view: view["state"] == "READY", again)
    assert opened["run"] == 2 and opened["pressure_pa"] < 5 * PSI and opened["target_pa"] is None
    first, second = list_runs(bench.records)
    assert second.state == "open"
    wait_for(lambda: list_runs(bench.records)[0].state == "sealed")  # beside the rig, which does not wait for it
    told = json.loads((first.path / "run.json").read_text())
    assert told["outcome"] == "interrupted" and told["replay"] == "identical"
    assert told["duration_s"] >= last["t_ns"] / 1e9 - 0.25
    assert told["result"]["highest_pa"] > 55 * PSI
    again.terminate()
    assert result_of(again)["outcome"] == "stopped"
    each, of_folder = verify_records(bench.records, public_key=key.public)
    assert of_folder == () and [found.findings for found in each] == [(), ()]
    assert all((found.folder / "heads.bin").stat().st_size > 100 for found in each)


def test_a_device_lost_in_mid_ramp(bench) -> None:
    """The simulated module vanishes: a trip, and since nothing can be proven any more UNPROVEN, exit code 4."""
    simulator = bench.simulate()
    process = bench.start("--confirm", "K-07")
    bench.view(lambda view: view["pressure_pa"] and view["pressure_pa"] > 30 * PSI, process)
    simulator.kill()
    view = bench.view(lambda view: view["state"] == "UNPROVEN", process)
    assert view["trip_state"] == "TRIPPED" and view["words"].startswith("NOT PROVEN")
    process.terminate()
    told = result_of(process)
    assert process.returncode == errors.TRIPPED == told["exit_code"]
    (record,) = list_runs(bench.records)
    assert json.loads((record.path / "run.json").read_text())["exit_code"] == errors.TRIPPED
    report = (record.path / "report.txt").read_text()
    assert "NOT PROVEN" in report and "LINE AT ZERO" not in report


def test_a_rig_that_is_not_there(bench) -> None:
    bench.wire(9)  # the discard port: nobody listens on it here
    process = bench.start()
    said, trouble = process.communicate(timeout=30)
    assert process.returncode == errors.UNREACHABLE and said == ""
    assert "device io" in trouble and "127.0.0.1:9" in trouble and "Traceback" not in trouble
    assert not bench.records.exists(), "nothing began, so no number was taken"


def test_a_disk_that_is_full_at_the_start(bench) -> None:
    """RLIMIT_FSIZE stands in for a full disk: the rig file is 10 kB and does not fit."""
    bench.simulate()

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))

    process = bench.start(preexec_fn=limit)
    _, trouble = process.communicate(timeout=30)
    assert process.returncode == errors.CANNOT_CREATE, trouble
    assert "Nothing was started" in trouble and "Traceback" not in trouble


def test_a_disk_that_fails_in_mid_run(bench, require_tool) -> None:
    """The hundredth sync fails: no pressure without a record. strace makes the kernel's answer up."""
    tool = require_tool("strace")
    bench.simulate()
    inject = "inject=fdatasync:error=EIO:when=100+"
    options = ("-f", "--seccomp-bpf", "-qq", "-o", os.devnull, "-e", "trace=fdatasync", "-e", inject)
    process = bench.start("--confirm", "K-07", under=(tool, *options))
    view = bench.view(lambda view: view["trip_state"] != "CLEAR", process)
    assert "record" in view["first_out"]
    bench.view(lambda view: view["state"] == "VENTED", process)
    process.communicate(timeout=60)
    assert process.returncode == errors.TRIPPED


def test_watching_and_leaving_changes_nothing(bench) -> None:
    bench.simulate()
    process = bench.start()
    bench.view(lambda view: view["state"] == "READY", process)
    watching = subprocess.Popen(
        [sys.executable, "-m", "rigd.cli.main", "status", "--watch"], env=bench.environment, stdout=subprocess.PIPE,
        stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    assert "READY" in watching.stdout.readline()
    watching.send_signal(signal.SIGINT)
    said, _ = watching.communicate(timeout=10)
    assert "detached: the run goes on" in said and watching.returncode == 0
    assert json.loads(bench.rigd("status", "--json").stdout)["state"] == "READY"
    process.terminate()
    process.communicate(timeout=30)


def test_no_rig_process_at_all(bench, tmp_path: Path) -> None:
    for verb in ("status", "vent", "arm"):
        said = bench.rigd(verb)
        assert said.returncode == errors.UNREACHABLE and "no rig process" in said.stderr
