"""The air check in the simulated world, by the meter of the leak rig, judged by the air that was really left in it.

The plant holds air by Boyle's law and a body that stretches (simulator.water, checks/physics.md C10 to C13).
"""

import pytest

from rigd.files.load import find, load_profile, load_rig
from rigd.model.messages import Judgement
from rigd.model.specimen import Specimen
from rigd.report.air import describe_air
from rigd.store.journal import BlockBuilder, identity
from simulator.cap_bench import CapBench
from simulator.person import Person
from simulator.plant import ATMOSPHERE_PA
from simulator.world import Names, World

RIG = load_rig(find("demo-leak", "rig"))
PROFILE = load_profile(find("air-check", "profile"))


class Bleeder(Person):
    """Bleeds as asked: most of the trapped air goes with it."""

    bench: CapBench
    bled = 0

    def answer(self, prompt, seen):
        if prompt.text.startswith("Open the bleed"):
            self.bled += 1
            water = self.bench.plant.water
            water.trapped_j *= 0.2
        return super().answer(prompt, seen)


def play(seed: int):
    bench, person = CapBench(RIG, seed=seed, test_pa=2e5), Bleeder("A. Person", seed)
    person.bench = bench
    facts = tuple((name, person.facts[name]) for name in PROFILE.required)
    judged: list[tuple[Judgement, float]] = []
    world = World(
        RIG, PROFILE, Specimen(id="demo", facts=facts, volume_m3=0.0), bench, person,
        BlockBuilder(identity(run=1, version="0", files=())), lambda block: None,
        Names(run=1, utc_ns=10**18, version="0"),
    )  # fmt: skip
    hear = world.loop._publish

    def listen(said):
        if type(said) is Judgement:
            judged.append((said, bench.plant.water.air_j / ATMOSPHERE_PA))
        hear(said)

    world.loop._publish = listen
    return world.run(), judged, person


@pytest.mark.parametrize("seed", [1, 2, 3, 5])
def test_the_air_that_is_there_is_found_within_its_uncertainty(seed):
    result, judged, person = play(seed)
    for judgement, true_m3 in judged:
        data = dict(judgement.data)
        assert abs(data["free_air_m3"] - true_m3) < 2.0 * data["free_air_u_m3"], (seed, judgement, true_m3)
        assert data["free_air_u_m3"] < 0.6e-6
    last, true_m3 = judged[-1]
    assert (result.outcome, last.verdict) == ("air_checked", "passed") and true_m3 < PROFILE.steps[2].most_m3
    assert person.bled == len(judged) - 1
    assert dict(result.data)["free_air_m3"] == dict(last.data)["free_air_m3"]
    lines = describe_air([judgement for judgement, _ in judged])
    assert len(lines) == len(judged) and "standard uncertainty" in lines[0]


def test_a_seed_with_much_air_is_bled_before_it_passes():
    """Seed 2 holds 3 mL where 2.5 mL are allowed."""
    _, judged, person = play(2)
    assert [judgement.verdict for judgement, _ in judged] == ["undecided", "passed"] and person.bled == 1
