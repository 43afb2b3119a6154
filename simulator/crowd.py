"""The people of a night: one who does the work, and one who presses anything at any time.

The operator answers questions truthfully, arms, starts, marks, resets, checks by hand; sometimes wanders off. The
masher sends any act in any state, named or not, twice, with answers nobody asked for. Neither sees the engine's inside:
what they react to is what a screen shows.
"""

from random import Random
from typing import TYPE_CHECKING

from rigd.model.messages import ACTS
from rigd.model.states import ARMED, READY, RESETTABLE, RUNNING, UNPROVEN
from simulator.person import SLOWEST_S

if TYPE_CHECKING:
    from simulator.night import Night

LOOK_NS = 100_000_000
AWAY_AT_MOST_NS = 300_000_000
ANSWER_NS = 400_000_000
WAIT_NS = 300_000_000
AWAY_S = (5.0, 75.0)
CALLED_AWAY, CALLED_AWAY_S = 0.08, (62.0, 95.0)  # between arming and starting
HOLD_S = (0.5, 8.0)
ENDS_A_RUN = ("vent", "stop")
ANSWERS = ("", "nothing", "rupture", "done", "K", "x" * 300, "\u202e" + chr(0xD800) + "\x00", "-1", "nan")


class Crowd:
    def __init__(self, night: "Night") -> None:
        self._night, self._rng = night, Random(f"{night.swarm.seed}/crowd")
        self.calm = self.quiet = False  # calm: only the operator; quiet: nobody
        self.asked_ns = self._last_look_ns = self._looks_since_ns = 0
        self.honest_mark = False  # pressed by somebody who had been looking since before there was anything to see
        self._look_at_ns = self._back_at_ns = 0
        self._act_at_ns = -1
        self._resume_at_ns = -1
        self._mash_at_ns = self._next_mash()

    def _next_mash(self) -> int:
        mean_s = self._night.swarm.masher_s
        return self._night.now_ns + int(self._rng.expovariate(1.0 / mean_s) * 1e9) if mean_s else 1 << 62

    def calm_down(self) -> None:
        """Nobody mashes or wanders off any more."""
        self.calm, self._back_at_ns = True, 0

    def go_away(self, seconds: float) -> None:
        """Nobody does the work for so long."""
        self._back_at_ns = self._night.now_ns + int(seconds * 1e9)

    def look(self) -> None:
        now_ns = self._night.now_ns
        if self.quiet:
            return
        if not self.calm and now_ns >= self._mash_at_ns:
            self._mash_at_ns = self._next_mash()
            self._mash()
        if now_ns >= self._look_at_ns:
            self._look_at_ns = now_ns + LOOK_NS
            self._work(now_ns)

    def _mash(self) -> None:
        rng, night = self._rng, self._night
        act, named = rng.choice(ACTS), rng.random() < 0.8
        if act in ENDS_A_RUN and rng.random() < 0.8:
            act = rng.choice(ACTS)  # or no run would ever come far
        if act == "mark":
            self.honest_mark = False
        for _ in range(rng.choice((1, 1, 1, 2, 5))):
            prompt = rng.choice((None, rng.randrange(0, 40), night.open_prompt.prompt if night.open_prompt else 1))
            night.act(act, named=named, prompt=prompt, answer=rng.choice((None, *ANSWERS)))

    def _work(self, now_ns: int) -> None:
        night, rng, swarm = self._night, self._rng, self._night.swarm
        engine = night.engine
        if engine is None or engine.done or now_ns < self._back_at_ns:
            return
        if not self.calm:
            if swarm.gone and night.storm.strikes:
                return
            if rng.random() < swarm.dawdles * 0.1:
                self.go_away(rng.uniform(*AWAY_S))
        if engine.operator_holds and engine.state == RUNNING and not (swarm.forgets_holds and not self.calm):
            if self._resume_at_ns < 0:
                self._resume_at_ns = now_ns + int(rng.uniform(*HOLD_S) * 1e9)
            elif now_ns >= self._resume_at_ns:
                self._resume_at_ns = -1
                night.act("resume")
            return
        self._resume_at_ns = -1
        prompt = engine.questions.prompt  # as it stands on the screen
        if prompt is not None and now_ns - self.asked_ns >= ANSWER_NS:
            night.act("confirm", prompt=prompt.prompt, answer=night.person.says(prompt, night.plant.truth().seen))
            return
        if engine.state == RUNNING:
            if now_ns - self._last_look_ns >= AWAY_AT_MOST_NS:
                self._looks_since_ns = now_ns
            self._last_look_ns = now_ns
            act = night.person.sees(night.plant.truth(), now_ns / 1e9)
            if act:  # longer than anybody takes to react: it was not there to be seen when the looking began
                self.honest_mark = now_ns - self._looks_since_ns > SLOWEST_S * 1e9
                night.act(act)
            return
        self._next_act(now_ns)

    def _next_act(self, now_ns: int) -> None:
        engine = self._night.engine
        if engine.state not in (READY, ARMED, UNPROVEN) and engine.interlocks.state != RESETTABLE:
            self._act_at_ns = -1
            return
        if self._act_at_ns < 0:
            longest = 40.0 if engine.state == UNPROVEN else 8.0  # nobody hurries to a line that may be under pressure
            self._act_at_ns = now_ns + int(WAIT_NS * self._rng.uniform(0.5, longest))
        elif now_ns >= self._act_at_ns:
            self._act_at_ns = -1
            if engine.state == ARMED and not self.calm and self._rng.random() < CALLED_AWAY:
                self.go_away(self._rng.uniform(*CALLED_AWAY_S))
                return
            act = {READY: "arm", ARMED: "start", UNPROVEN: "hand_check"}.get(engine.state, "reset")
            if engine.interlocks.state == RESETTABLE:
                act = "reset"
            self._night.act(act)
