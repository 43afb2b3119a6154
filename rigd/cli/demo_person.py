"""The simulated person of the live demos: a client of the control socket like any terminal, in front of the rig.

Answers each specimen's questions, arms and starts again after a pause when nothing is asked anywhere, resets, and
checks by hand what nobody can prove: one thing at a time, and only by what a screen shows. The first start is that of
`rigd run --confirm`.
"""

from collections.abc import Callable
from typing import Any

from rigd.cli.demo_body import PERSON
from rigd.cli.demo_programs import Patience
from rigd.control import Client
from rigd.model.states import ARMED, READY, RESETTABLE, UNPROVEN

ANSWER_S, WAIT_S = 0.25, 0.3  # a demo's person is quick, so that a whole job is soon over
NS_PER_S = 1_000_000_000


class AtTheRig:
    def __init__(self, client: Client, answer: Callable[[int, dict[str, Any]], str]) -> None:
        """`answer`: of a station (0 on a rig with one specimen) and its question, when it is time."""
        self._client, self._answer = client, answer
        self._views: dict[int, dict[str, Any]] = {}
        self.patience = Patience()

    def look(self, view: dict[str, Any]) -> None:
        number, prompt = view.get("station", 0), view["prompt"]
        self._views[number] = view
        lasted, second = self.patience.has_lasted, view["t_ns"] // NS_PER_S  # what is refused is tried again, later
        if prompt and lasted((number, "prompt", prompt["prompt"]), ANSWER_S):
            self.act("confirm", number, prompt=prompt["prompt"], answer=self._answer(number, prompt))
        elif view["trip_state"] == RESETTABLE and lasted((number, "trip", second), 0.0):
            self.act("reset", number)
        elif view["state"] == UNPROVEN and lasted((number, "unproven", second), 0.0):
            self.act("hand_check", number)
        else:
            self._go_on(number, view)

    def _go_on(self, number: int, view: dict[str, Any]) -> None:
        """After a pause: arm and start, when nothing is asked of anybody."""
        act = {READY: "arm", ARMED: "start"}.get(view["state"]) if view["paused"] else None
        for other in ("arm", "start"):
            if other != act:
                self.patience.forget((number, other))
        nobody_asks = not any(each["prompt"] for each in self._views.values())
        if act is not None and nobody_asks and self.patience.has_lasted((number, act), WAIT_S):
            self.patience.forget((number, act))
            self.act(act, number)

    def act(self, verb: str, station: int, **fields: Any) -> None:
        which = {"station": station} if station else {}
        self._client.ask(verb, person=PERSON, named=True, source="simulated person", **which, **fields)
