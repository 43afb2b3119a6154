"""Leaving a rig alone: everything that forbids it, and what the record says when nothing does (SAFETY S1, S7, S23).

Each record holds which walk of its station allowed it, by number and hash, until when, and what there was of gas,
water, drain and life of parts against what the whole run may take.
"""

import time
from dataclasses import asdict, replace
from datetime import UTC, datetime

from rigd.calc.supplies import CYCLES, Need, needs
from rigd.cli.walks import Walk, newest_walks, read_walks, why_not_unattended
from rigd.live.job import Job
from rigd.model.air import AirCheck
from rigd.model.errors import Misconfigured, UsageRefused
from rigd.model.flush import Flush
from rigd.model.gas import GasLeak
from rigd.model.leak import CapTurns
from rigd.model.profile import Profile, Surge
from rigd.model.rig import Rig
from rigd.model.walk import KINDS

FORMAT = 1
LITRES = 1e3  # in a cubic metre
FREED_BY_HAND = ("ask", "extra_cycle")  # what follows a stuck part: at once, or when extra cycles did not free it


def permit(job: Job, left: tuple[str, ...], now_ns: int | None = None) -> Job:
    """The job as one that may be left alone. Raises Misconfigured with everything that forbids it, UsageRefused."""
    from rigd.store.unattended import unattended_bytes

    now_ns = time.time_ns() if now_ns is None else now_ns
    rig, stated = _with_left(job.rig, left)
    needed = needs(rig, job.profile, tuple(each.specimen for each in job.mounted))
    stations = tuple(each.station for each in job.mounted)
    reasons = why_not_unattended(job.rig, job.rig_bytes, job.records, now_ns, stations)
    reasons += _wants_a_person(job.profile)
    reasons += [_short(need) for need in needed if not need.is_covered] if job.rig.budgets else []
    if reasons:
        listed = "".join(f"\n  {reason}" for reason in reasons)
        raise Misconfigured(f"rig {job.rig.name} may not run unattended:{listed}")
    walks = newest_walks(read_walks(job.records, job.rig, job.rig_bytes, []))

    def told(walk: Walk) -> bytes:
        return unattended_bytes({
            "format": FORMAT, "person": job.person, "walk": walk.run, "walk_manifest_sha256": walk.manifest_sha256,
            "walked_utc": _utc(walk.utc_ns), "expires_utc": _utc(walk.utc_ns + job.rig.commissioned_ns),
            "left": stated, "needs": [asdict(need) for need in needed],
        })  # fmt: skip

    return replace(
        job, mounted=tuple(replace(each, unattended_bytes=told(walks[each.station])) for each in job.mounted)
    )


def _with_left(rig: Rig, left: tuple[str, ...]) -> tuple[Rig, dict[str, str]]:
    from rigd.files.budget_shape import with_left

    stated: dict[str, str] = {}
    for text in left:
        name, equals, amount = text.partition("=")
        if not equals or name in stated:
            raise UsageRefused(f"--left {text!r}: allowed: NAME=AMOUNT, each name once, such as gas=3000L")
        stated[name.strip()] = amount.strip()
    if not stated or rig.budgets is None:
        return rig, stated
    try:
        return replace(rig, budgets=with_left(rig.budgets, stated)), stated
    except ValueError as wrong:
        raise UsageRefused(f"--left {wrong}") from None


def _wants_a_person(profile: Profile) -> list[str]:
    """Steps that stand still until somebody comes."""
    found = []
    for step in profile.steps:
        if isinstance(step, GasLeak):
            found.append("a test with gas has somebody at the oxygen monitor: nitrogen in a room takes the air away")
        elif isinstance(step, CapTurns | Flush | AirCheck) or type(step) in KINDS.values():
            found.append(f"step {step.name!r} asks for a person amid the run")
        elif isinstance(step, Surge) and step.between == "inspect" and len(step.blocks) > 1:
            found.append(f"step {step.name!r} asks for an inspection between its blocks")
        if isinstance(step, Surge) and step.part and step.part.when_stuck in FREED_BY_HAND:
            stuck = f"step {step.name!r} asks for a hand when its moving part is stuck, and every station waits for it"
            found.append(f"{stuck}: `when_stuck: record` or `stop` goes on, or ends, without one")
    return found


def say_need(need: Need) -> str:
    """Such as: gas: 812 L needed, 3000 L there."""
    if need.kind == CYCLES:
        return f"{need.name}: {need.needed:.0f} cycles needed, {need.budget:.0f} left"
    there = "not stated" if need.budget is None else "not limited"
    if need.budget:
        there = f"{need.budget * LITRES:.1f} L there"
    return f"{need.name}: {need.needed * LITRES:.1f} L needed, {there}"


def _short(need: Need) -> str:
    if need.budget is None:
        return f"{say_need(need)}: write `{need.name}:` under `budgets:` of the rig file"
    return f"{say_need(need)}: refill or renew it, or run less"


def _utc(utc_ns: int) -> str:
    return datetime.fromtimestamp(utc_ns // 1_000_000_000, UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
