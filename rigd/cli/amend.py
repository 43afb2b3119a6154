"""`rigd runs amend`: what a person corrects in a sealed record becomes a new version beside it.

Facts of the specimen and what was found on it may be corrected; nothing measured may. Another observation goes through
the engine again, with the record's own inputs, so that outcome and verdict follow from it as they would have that day.
"""

import time
from dataclasses import asdict
from pathlib import Path
from typing import Any

from rigd.model.errors import RecordAltered, UsageRefused
from rigd.model.observations import OBSERVATIONS
from rigd.model.specimen import CHOICES, FACTS, QUANTITY_FACTS
from rigd.store import amendment
from rigd.store.amendment import OBSERVATION, Amendment, Change
from rigd.store.archive import Archive, open_run
from rigd.store.keys import load_key
from rigd.store.verification import verify


def amend(record: Path, *, facts: list[str], observation: str, reason: str, person: str, key: Path | None) -> Amendment:
    """Write the next version of this record and return it."""
    own = load_key(key) if key is not None else None
    archive, findings = open_run(record), verify(record)
    earlier, wrong = amendment.of_record(findings)
    if wrong:
        raise RecordAltered(wrong)
    known, result = _as_it_stands(archive, earlier)
    wanted = _facts_wanted(facts)
    if observation:
        if observation not in OBSERVATIONS:
            raise UsageRefused(f"--observation {observation!r:.60}: allowed: {', '.join(OBSERVATIONS)}")
        wanted[OBSERVATION] = observation
    changes: tuple[Change, ...] = tuple(
        (what, known.get(what, ""), now) for what, now in wanted.items() if known.get(what, "") != now
    )
    was = (result["outcome"], result["verdict"])
    if OBSERVATION in (what for what, _, _ in changes):
        result = _concluded(archive, observation, person, result)
    amendment.amend(
        findings, earlier, changes=changes, was=was, result=result, reason=reason, person=person,
        utc_ns=time.time_ns(), key=own,
    )  # fmt: skip
    return amendment.of_record(findings)[0][-1]


def _as_it_stands(archive: Archive, earlier: tuple[Amendment, ...]) -> tuple[dict[str, str], dict[str, Any]]:
    """What the newest version says: facts with the observation, and the result."""
    told = archive.run
    known, result = dict(told["facts"]), told["result"]
    known[OBSERVATION] = result["observation"]
    for version in earlier:
        known |= {what: now for what, _, now in version.changes}
        result = version.result
    return known, result


def _facts_wanted(facts: list[str]) -> dict[str, str]:
    from rigd.files.units import NotAQuantity, answer_in

    wanted = {}
    for text in facts:
        name, equals, value = (part.strip() for part in text.partition("="))
        if not equals or name not in FACTS or not value or len(value) > amendment.MAX_VALUE:
            raise UsageRefused(f"--set {text!r:.100}: allowed: FACT=VALUE with FACT one of {', '.join(FACTS)}")
        if name in CHOICES and value not in CHOICES[name]:
            raise UsageRefused(f"--set {text!r:.100}: allowed: {name} one of {', '.join(CHOICES[name])}")
        try:
            wanted[name] = answer_in(QUANTITY_FACTS.get(name, ""), value)
        except NotAQuantity as fault:
            raise UsageRefused(f"--set {text!r:.100}: {fault}") from None
    return wanted


def _concluded(archive: Archive, observation: str, person: str, result: dict[str, Any]) -> dict[str, Any]:
    """The result with this observation. Where nobody was asked, what the run ended by stands."""
    from rigd.replay import conclude_anew

    anew = conclude_anew(archive, observation, person)
    return result | {OBSERVATION: observation} if anew is None else asdict(anew)
