"""A flush-direction test in the simulated world, judged by the drain that was really there; an invented drain."""

import pytest

from rigd.files.load import find, load_profile, load_rig
from rigd.model.flush import Flush
from rigd.model.messages import Judgement
from rigd.model.specimen import Specimen
from rigd.report.aims import aims_of, describe_aims
from rigd.store.journal import BlockBuilder, identity
from simulator.drain_bench import CARE, Aimer, DrainBench
from simulator.world import Names, World

RIG = load_rig(find("demo-flush", "rig"))
PROFILE = load_profile(find("flush-direction", "profile"))
STEP = next(step for step in PROFILE.steps if type(step) is Flush)


def play(seed: int, technician: str) -> tuple[dict, DrainBench, list[str], str]:
    bench = DrainBench(RIG, seed=seed, half_width_deg=STEP.half_width_deg)
    aimer = Aimer("A. Person", seed, bench, CARE[technician])
    facts = tuple((name, aimer._person.facts[name]) for name in PROFILE.required)
    builder = BlockBuilder(identity(run=1, version="0", files=()))
    judged: list[Judgement] = []
    world = World(
        RIG, PROFILE, Specimen(id="demo", facts=facts, volume_m3=0.0), bench, aimer, builder, lambda block: None,
        Names(run=1, utc_ns=10**18, version="0"),
    )  # fmt: skip
    hear = world.loop._publish
    world.loop._publish = lambda said: (judged.append(said) if type(said) is Judgement else None, hear(said))[1]
    result = world.run()
    found = {name: getattr(result, name) for name in ("data", "outcome", "flags")}
    told = aims_of(found, judged)
    assert told is not None
    return told, bench, describe_aims(found, judged), result.outcome


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_an_obedient_person_finds_the_bias_and_where_the_water_goes(seed):
    told, bench, lines, outcome = play(seed, "obedient")
    assert outcome == "aimed" and told["measured"] == told["owed"] == 12
    error = told["error_deg"]
    # four standard errors: the interval itself is held to its level in tests/calc
    assert abs(error["mean_deg"] - bench.drain.bias_deg) < 4.0 * 2.6 / 12**0.5 + 0.5
    assert error["aims"] == 12 and error["low_deg"] < error["mean_deg"] < error["high_deg"]
    shares = [told[part]["mean"] for part in ("share_in", "share_outside", "share_not_caught")]
    assert sum(shares) == pytest.approx(1.0) and shares[2] == pytest.approx(bench.drain.splashed, abs=0.01)
    assert any("k = 12" in line for line in lines) and any("+ is clockwise" in line for line in lines)


def test_a_careless_person_is_found_out_by_the_balance_of_water():
    told, _, lines, _ = play(2, "careless")
    assert told["undecided"] > 0 and told["measured"] + told["undecided"] == told["made"]
    assert any("what was fed" in line for line in lines)
