"""A simulated person tells the truth, obeys, and marks what can be seen while it matters."""

from dataclasses import dataclass

from rigd.files.units import parse
from rigd.model.observations import OBSERVATIONS
from rigd.model.specimen import CHOICES, FACTS
from simulator.bodies import draw_body
from simulator.person import QUICKEST_S, SEEN_M3_PER_S, SLOWEST_S, Person


@dataclass(frozen=True)
class View:
    """Of a prompt, and of the window."""

    kind: str = "confirm"
    field: str = ""
    choices: tuple[str, ...] = ()
    pressure_pa: float = 2e6
    leak_m3_per_s: float = 0.0
    growth: float = 0.0
    vent_open: bool = False


LEAKS = View(leak_m3_per_s=2 * SEEN_M3_PER_S)


def marked_after_s(person: Person, sight: View, until_s: float = 5.0) -> float | None:
    return next((step / 100 for step in range(round(until_s * 100)) if person.sees(sight, step / 100)), None)


def test_facts_are_those_of_the_bench_whatever_the_end() -> None:
    for seed in range(20):
        person = Person("R. Doe", seed)
        for kind in ("rupture", "strong", "ballooned"):
            body = draw_body(kind, seed)
            assert person.answer(View("enter", "make"), "nothing") == body.make
            assert person.answer(View("enter", "size"), "nothing") == body.size
        for field in FACTS:
            choices = CHOICES.get(field, ())
            answer = person.answer(View("choose" if choices else "enter", field, choices), "nothing")
            assert answer and (not choices or answer in choices)
        assert 291 < parse(person.facts["water_temperature"], _kind("temperature")) < 297
        assert 7200 <= parse(person.facts["conditioning"], _kind("time")) <= 86400


def test_what_is_seen_is_what_is_said() -> None:
    person = Person("R. Doe", 1)
    for seen in OBSERVATIONS:
        assert person.answer(View("choose", "observation", tuple(OBSERVATIONS)), seen) == seen
    assert person.answer(View("choose", "", ("rupture", "nothing")), "weep") == "nothing"
    assert person.answer(View("confirm"), "nothing") == "done"


def test_a_leak_is_marked_once_after_a_human_time() -> None:
    times = set()
    for seed in range(30):
        person = Person("R. Doe", seed)
        assert marked_after_s(person, View()) is None
        after = marked_after_s(person, LEAKS)
        assert QUICKEST_S <= after <= SLOWEST_S + 0.01
        times.add(after)
        assert marked_after_s(person, LEAKS) is None
        assert marked_after_s(Person("R. Doe", seed), LEAKS) == after
    assert len(times) > 20
    assert marked_after_s(Person("R. Doe", 1), View(growth=0.05)) is not None
    assert marked_after_s(Person("R. Doe", 1), View(leak_m3_per_s=0.1 * SEEN_M3_PER_S)) is None


def test_nothing_is_marked_that_is_over() -> None:
    for sight in (View(leak_m3_per_s=1e-3, vent_open=True), View(leak_m3_per_s=1e-3, pressure_pa=5e3)):
        person = Person("R. Doe", 1)
        assert person.sees(View(leak_m3_per_s=1e-3), 0.0) is None  # seen, the finger is on its way ...
        assert marked_after_s(person, sight) is None  # ... and the engine was faster


def test_a_weep_is_marked_on_the_plant_while_the_tank_feeds(hand) -> None:
    run, person = hand(1, "weep"), Person("R. Doe", 1)
    run.fill()
    run.ramp(450, past_failure_s=0.0)
    failed_at_s, act = run.plant.failed_at_s, None
    while act is None and run.plant.t_s < failed_at_s + 4.0:
        run.wait(0.1)
        act = person.sees(run.plant.truth(), run.plant.t_s)
    assert act == "mark" and run.plant.t_s - failed_at_s <= SLOWEST_S + 0.25


def _kind(name: str):
    from rigd.files import units

    return {"temperature": units.TEMPERATURE, "time": units.TIME}[name]
