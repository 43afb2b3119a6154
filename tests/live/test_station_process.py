"""Stations as a person meets them: one real rig process, real Modbus TCP, a simulated rig that counts for itself."""

import json
import time
from collections.abc import Callable
from typing import Any

import pytest

from rigd.model import errors
from rigd.model.errors import RigUnreachable
from rigd.store.runs import list_runs, verify_records

PERSON = "A. Novak"
LIMIT_S = 60.0
SPECIMENS = ("1=K-07", "3=L-03")
pytestmark = pytest.mark.live


def wait_for(true: Callable[[], bool]) -> None:
    deadline = time.monotonic() + LIMIT_S
    while not true():
        assert time.monotonic() < deadline, "it did not come to pass"
        time.sleep(0.05)


def attend(bench, process, until: Callable[[dict[int, dict[str, Any]]], bool]) -> dict[int, dict[str, Any]]:
    """Watch and answer every station's questions until the views are as wanted, or the process has closed."""
    seen: dict[int, dict[str, Any]] = {}
    answered: set[tuple[int, int]] = set()
    deadline = time.monotonic() + LIMIT_S
    with bench.connect(process) as client:
        client.ask("watch")
        try:
            for frame in client.frames(LIMIT_S):
                assert time.monotonic() < deadline, seen
                if frame.kind == "closed":
                    return seen
                if frame.kind != "view":
                    continue
                number, prompt = frame.body["station"], frame.body["prompt"]
                seen[number] = frame.body
                if until(seen):
                    return seen
                if prompt and (number, prompt["prompt"]) not in answered:
                    answered.add((number, prompt["prompt"]))
                    answer = "nothing" if prompt["field"] == "observation" else "done"
                    which = {"station": number, "prompt": prompt["prompt"]}
                    client.ask("confirm", person=PERSON, named=True, answer=answer, **which)
        except RigUnreachable:
            return seen
    raise AssertionError(f"no frame came; the last: {seen}")


def run_surges(bench, surges: str, block: str, *options: str):
    bench.profile.write_text(surges.replace("BLOCK", block))
    confirm = ("--confirm", "K-07", "--confirm", "L-03", "--set", "make=K")
    return bench.start(*confirm, *options, specimens=SPECIMENS)


def counted(view: dict[str, Any], what: str) -> int:
    return dict(view["counted"]).get(what, 0)


def test_killed_in_a_surge_and_gone_on_with(bench, surges: str) -> None:
    """kill -9 with two bodies under surges: the relay shuts and vents, and the resumed runs end with counts that are
    the bodies' own."""
    rig = bench.simulate_stations("strong", "strong", "strong", "strong")
    process = run_surges(bench, surges, "6")

    def in_a_surge(seen: dict[int, dict[str, Any]]) -> bool:
        both = len(seen) == 2 and all(counted(view, "cycles_valid") >= 2 for view in seen.values())
        return both and any((view["pressure_pa"] or 0.0) > 300e3 for view in seen.values())

    attend(bench, process, in_a_surge)
    process.kill()
    process.wait()

    def safe() -> bool:
        read = json.loads(bench.rigd("channels", "read", "--rig", str(bench.rig), "--json").stdout)
        shut = {row["channel"]: row["value"] for row in read if row["channel"].startswith(("inlet", "air_", "vent_"))}
        return len(shut) == 12 and not any(shut.values())

    wait_for(safe)
    felt = {number: rig.truth[number]["cycles"] for number in (1, 3)}
    again = run_surges(bench, surges, "6", "--resume", "1", "--resume", "2")
    attend(bench, again, lambda seen: False)
    said, trouble = again.communicate(timeout=LIMIT_S)
    assert again.returncode == errors.DONE, trouble
    told = json.loads(said)
    assert [each["station"] for each in told["stations"]] == [1, 3] and told["exit_code"] == 0
    first, second, third, fourth = list_runs(bench.records)
    for station, before, after in ((1, first, third), (3, second, fourth)):
        result = json.loads((after.path / "run.json").read_text())
        carried = json.loads((after.path / "carried.json").read_text())
        data = dict(result["result"]["data"])
        assert json.loads((before.path / "run.json").read_text())["outcome"] == "interrupted"
        assert (result["outcome"], result["replay"], data["cycles_valid"]) == ("run_out", "identical", 6)
        assert carried["run"] == before.number and carried["applied"] == felt[station]
        assert data["cycles_applied"] == rig.truth[station]["cycles"] >= 6
    each, of_folder = verify_records(bench.records)
    assert of_folder == () and [found.findings for found in each] == [()] * 4
    refused = run_surges(bench, surges, "6", "--resume", "1")
    _, trouble = refused.communicate(timeout=LIMIT_S)
    assert refused.returncode == errors.NOT_PERMITTED and "R0003 already" in trouble


def test_verbs_name_a_station_or_mean_all(bench, surges: str) -> None:
    bench.simulate_stations("strong", "strong", "strong", "strong")
    bench.profile.write_text(surges.replace("BLOCK", "1000"))
    process = bench.start("--set", "1:make=K", "--set", "3:make=L", specimens=SPECIMENS)
    wait_for(lambda: bench.socket.exists() and bench.rigd("status", "--json").stdout.count('"prompt": 1') == 2)
    both = bench.rigd("confirm", "--operator", PERSON)
    assert both.returncode == errors.USAGE and "several stations ask" in both.stderr, both.stderr
    assert "[station 1 · 1] Nobody" in both.stderr and "[station 3 · 1] Nobody" in both.stderr
    for number in ("1", "3"):
        answered = bench.rigd("confirm", "--operator", PERSON, "--station", number)
        assert answered.returncode == 0, answered.stderr
    attend(bench, process, lambda seen: len(seen) == 2 and all(view["state"] == "READY" for view in seen.values()))
    status = bench.rigd("status")
    assert "station 1 · run 1 · specimen K-07" in status.stdout and "station 3 · run 2" in status.stdout
    assert "station 2 · no run; its valves are watched · VENTED" in status.stdout
    read = json.loads(bench.rigd("channels", "read", "--rig", str(bench.rig), "--json").stdout)
    values = {row["channel"]: row["value"] for row in read}
    assert values["returned_1"] == values["returned_2"] == values["door"] == 1 and None not in values.values()
    assert json.loads(bench.rigd("status", "--station", "3", "--json").stdout)["specimen"] == "L-03"
    assert bench.rigd("status", "--station", "2").returncode == errors.USAGE
    for verb in ("arm", "start"):
        said = bench.rigd(verb, "--operator", PERSON)
        assert said.returncode == 0 and "station 1: " in said.stdout and "station 3: " in said.stdout, said.stderr
    attend(bench, process, lambda seen: len(seen) == 2 and all(counted(v, "cycles_valid") for v in seen.values()))
    alone = bench.rigd("vent", "--station", "1")
    assert alone.returncode == 0 and "station 1" in alone.stdout
    seen = attend(bench, process, lambda seen: len(seen) == 2 and seen[1]["state"] == "VENTED")
    assert seen[3]["state"] == "RUNNING"
    process.terminate()
    said, trouble = process.communicate(timeout=LIMIT_S)
    assert process.returncode == errors.STOPPED, trouble
    assert [each["outcome"] for each in json.loads(said)["stations"]] == ["stopped", "stopped"]
