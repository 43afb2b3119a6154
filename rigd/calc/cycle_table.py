"""What each surge was, measured again from a sealed record: the rules of calc.exact.cycle, for many surges at once.

The engine measures a surge while it happens, one sample at a time, and says it in a Cycle message. This reads what the
valves were told (events) and what the transducers said (counts in the trace), finds the surges in them, and works out
the same numbers with arrays; the Cycle messages are not read. Counts and times come out the same, pressures to the
last bit, and tests hold the two together. A night is measured in stretches, so its length does not matter.

What a cycle is worth beyond that, extra, assisted, stuck, is the engine's to say: it follows from what people did.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

import numpy as np

from rigd.calc.exact.cycle import FEWEST_SAMPLES, RISE_HIGH, RISE_LOW
from rigd.calc.trace import newest_values
from rigd.model.messages import Event, Message, ValveCommand
from rigd.model.profile import Surge
from rigd.model.rig import Rig
from rigd.model.states import RUNNING, VENTING

Columns = dict[str, np.ndarray]
MARGIN_NS = 2_000_000_000  # a surge is looked at so long beyond its own longest time, then its rows are let go
NEVER = np.iinfo(np.int64).max
PARTED = ("back_pressure", "wet")
REASONS = ("charge_low", "charge_high", "sagged", "no_rise", "peak_low", "peak_high", "unseen", "partial")
"""In the order in which the engine says them."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shots:
    """What the valves were told, one row a surge, and when the run was RUNNING; int64."""

    seq: np.ndarray  # message at which the release valve was told to open, shape (n,)
    t_ns: np.ndarray  # [ns]
    vent_seq: np.ndarray  # message at which the vent was told to open: the end of the hold, or of the run
    vent_ns: np.ndarray
    end_seq: np.ndarray  # samples before this message were taken in: RUNNING ended there; NEVER when it did not
    end_ns: np.ndarray
    forced: np.ndarray  # bool: it ended by a trip, a guard or a person, amid whatever the step was about
    vented_seq: np.ndarray  # samples before this message belong to the venting after that end
    parted: np.ndarray  # bool: the body came apart in it
    running: np.ndarray  # shape (k, 2): samples with seq above the first and below the second were taken in


def find_shots(messages: Iterable[Message], rig: Rig, step: int) -> Shots:
    """Find the surges of one step in the messages of a record.

    Parameters
    ----------
    messages : iterable of Message
        ValveCommands and Events of the record, in order; others are passed over.
    rig : Rig
    step : int
        Index of the surge step in the profile.

    Returns
    -------
    Shots

    Assumes
    -------
    A surge begins when inlet or air opens behind a shut vent, and its hold ends when the vent opens: what the procedure
    of rigd.engine.surge tells its outputs. A shot by an on/off valve that is not opened at once begins at its first
    opening.
    """
    roles = {at: output.role for at, output in enumerate(rig.outputs)}
    safe = {at: output.counts_safe for at, output in enumerate(rig.outputs)}
    found: list[list[int]] = []
    running: list[list[int]] = []
    parted: list[int] = []  # messages in which a sign said so: the vent is told to open in the same
    in_step = False
    shot: list[int] | None = None
    guards = {row.name for row in rig.rows}
    forced_seq = -1
    for message in messages:
        if type(message) is ValveCommand:
            role, opens = roles[message.output], message.counts != safe[message.output]
            if role == "vent":
                if not opens and shot is not None:
                    found.append([*shot, message.seq, message.t_ns])
                    shot = None
            elif role in ("inlet", "air") and opens and in_step and shot is None:
                shot = [message.seq, message.t_ns]
        elif type(message) is Event:
            data = dict(message.data)
            if message.kind == "step":
                in_step = data["step"] == step
                if in_step:
                    running.append([message.seq, NEVER, NEVER, 0, NEVER])
            elif message.kind in ("trip", "granted"):
                forced_seq = message.seq
            elif message.kind == "sign" and data["sign"] in PARTED:
                parted.append(message.seq)
            elif message.kind == "state" and in_step:
                if data["from"] == VENTING and running:
                    running[-1][4] = message.seq + 1
                if data["to"] == RUNNING:
                    running.append([message.seq, NEVER, NEVER, 0, NEVER])
                elif data["from"] == RUNNING and running:
                    forced = forced_seq == message.seq or data["why"] in guards  # and not by the step itself
                    running[-1][1:4] = [message.seq + (not forced), message.t_ns, int(forced)]
    if shot is not None:
        found.append([*shot, NEVER, NEVER])
    return _shots(found, running, parted)


def _shots(found: list[list[int]], running: list[list[int]], parted: list[int]) -> Shots:
    rows = np.array(found, np.int64).reshape(-1, 4)
    spans = np.array(running, np.int64).reshape(-1, 5)
    span = np.searchsorted(spans[:, 0], rows[:, 0], side="right") - 1
    return Shots(
        seq=rows[:, 0], t_ns=rows[:, 1], vent_seq=rows[:, 2], vent_ns=rows[:, 3],
        end_seq=spans[span, 1], end_ns=spans[span, 2], forced=spans[span, 3] > 0,
        vented_seq=spans[span, 4], parted=np.isin(rows[:, 2], np.array(parted, np.int64)), running=spans[:, :2],
    )  # fmt: skip


def measured_columns(rig: Rig) -> list[str]:
    """The columns of a trace that `measure` needs."""
    roles = ("specimen", "feed", "held_peak", "returned", "displacement")
    named = [f"{channel.name}_counts" for channel in rig.channels if channel.role in roles]
    return ["seq", "t_ns", "age_us", "device", "cycle", *named]


def measure(parts: Iterable[Mapping[str, np.ndarray]], rig: Rig, step: Surge, shots: Shots) -> Columns:
    """Measure every surge of a trace.

    Parameters
    ----------
    parts : iterable of mappings of arrays, each (rows,)
        The trace in order, in pieces of any length, with `measured_columns`; `device` is -1 for a tick.
    rig : Rig
    step : Surge
    shots : Shots
        Of `find_shots`.

    Returns
    -------
    dict of ndarray, each (n,)
        Named as the fields of messages.Cycle: `cycle`, `released_ns`, `gap_ns`, `above_ns` [ns], `charge_pa`,
        `peak_sampled_pa`, `peak_held_pa`, `trough_pa`, `overshoot_pa` [Pa], `rise_pa_per_s` [Pa/s], `blow_down_ns`,
        `return_ns` [ns] as float64 with NaN where there is none; `applied`, `valid`, `partial` as bool; `why` as the
        numbers of REASONS added up as bits.

    Source
    ------
    calc.exact.cycle, of which this is the twin for arrays; rigd.model.messages.Cycle says what each number is.
    """
    pieces = [
        _measure_rows(rows, rig, step, shots, first, last) for rows, first, last in _stretches(parts, step, shots)
    ]
    if not pieces:
        return _nothing()
    return {name: np.concatenate([piece[name] for piece in pieces]) for name in pieces[0]}


def _nothing() -> Columns:
    names = (*_TIMES, *_PRESSURES, "cycle", "released_ns", "gap_ns", "above_ns")
    return {name: np.zeros(0) for name in names} | {
        name: np.zeros(0, kind) for name, kind in (("applied", bool), ("valid", bool), ("partial", bool), ("why", int))
    }


def _stretches(
    parts: Iterable[Mapping[str, np.ndarray]], step: Surge, shots: Shots
) -> Iterator[tuple[Columns, int, int]]:
    """Rows that hold the surges first..last whole, behind the newest row of each device before them."""
    longest_ns = step.blow_down_ns + step.drain_ns + (step.part.within_ns if step.part else 0) + MARGIN_NS
    over_ns = np.minimum(
        np.append(shots.t_ns[1:], NEVER),
        np.where(shots.vent_ns < NEVER - longest_ns, shots.vent_ns + longest_ns, NEVER),
    )
    held: Columns | None = None
    first = 0
    for part in parts:
        held = dict(part) if held is None else {n: np.concatenate((held[n], part[n])) for n in held}
        if not len(held["t_ns"]):
            continue
        last = int(np.searchsorted(over_ns, held["t_ns"][-1], side="left"))  # over_ns rises with t_ns
        if last > first:
            yield held, first, last
            first = last
        upto = len(held["seq"]) if first == len(shots.seq) else int(np.searchsorted(held["seq"], shots.seq[first]))
        held = _let_go(held, upto)
    if held is not None and first < len(shots.seq):
        yield held, first, len(shots.seq)


def _let_go(rows: Columns, upto: int) -> Columns:
    """Without the rows before `upto`, but for the newest of each device: what it said still holds."""
    kept = [int(np.flatnonzero(rows["device"][:upto] == device)[-1]) for device in np.unique(rows["device"][:upto])]
    at = np.concatenate((np.sort(np.array(kept, np.int64)), np.arange(upto, len(rows["device"]))))
    return {name: column[at] for name, column in rows.items()}


class _Samples:
    """The good samples of the primary channel that the running program took in, and what stood beside each."""

    def __init__(self, rows: Mapping[str, np.ndarray], rig: Rig, shots: Shots) -> None:
        specimens = [channel for channel in rig.channels if channel.role == "specimen"]
        newest = {channel.name: newest_values(rows, rig, channel) for channel in specimens}
        primary = newest[specimens[0].name]
        seq = rows["seq"]
        span = np.searchsorted(shots.running[:, 0], seq, side="left") - 1
        taken = (span >= 0) & (seq < shots.running[np.maximum(span, 0), 1])
        at = np.flatnonzero((rows["device"] == specimens[0].device) & taken & ~np.isnan(primary))
        self.seq, self.heard_ns = seq[at], rows["t_ns"][at]
        self.t_ns = (rows["t_ns"] - rows["age_us"] * 1000)[at]
        self.pressure_pa = primary[at]
        self.highest_of_all = np.max([values[at] for values in newest.values()], axis=0)  # NaN where one is not good
        self._rows, self._rig, self._at = rows, rig, at
        self.feed_at_row = self._role("feed")
        every = np.flatnonzero((rows["device"] == specimens[0].device) & ~np.isnan(primary))  # taken in or not
        held = self._role("held_peak")
        self.every_seq, self.every_ns = seq[every], rows["t_ns"][every]
        self.every_pa = primary[every] if held is None else np.fmax(primary, held)[every]

    def _role(self, role: str) -> np.ndarray | None:
        channel = next((channel for channel in self._rig.channels if channel.role == role), None)
        return None if channel is None else newest_values(self._rows, self._rig, channel)

    def beside(self, role: str) -> np.ndarray:
        """The newest good value of the channel with this role at each sample, NaN where there is none."""
        values = self.feed_at_row if role == "feed" else self._role(role)
        return np.full(len(self._at), np.nan) if values is None else values[self._at]


def _measure_rows(rows: Columns, rig: Rig, step: Surge, shots: Shots, first: int, last: int) -> Columns:
    samples = _Samples(rows, rig, shots)
    pick = slice(first, last)
    if not len(samples.seq):
        return _unheard(rows, step, shots, pick)
    start = np.searchsorted(samples.seq, shots.seq[pick], side="right")
    vent = np.searchsorted(samples.seq, shots.vent_seq[pick], side="right")
    end = np.maximum(start, np.searchsorted(samples.seq, shots.end_seq[pick], side="left"))
    down = _next_true(samples.highest_of_all < step.blow_down_pa)[np.minimum(vent, len(samples.seq))]
    is_down = down < end
    stop = np.where(is_down, down + 1, end)
    found = _of_pressure(samples, step, start, stop)
    found |= _of_feed(rows, samples, shots.seq[pick], start, stop)
    found["blow_down_ns"] = _or_nan(is_down, samples.t_ns, down, shots.vent_ns[pick])
    following = np.append(shots.seq[first + 1 : last], shots.seq[last] if last < len(shots.seq) else NEVER)
    until = np.minimum(end, np.searchsorted(samples.seq, following, side="right"))
    below, back = _of_part(samples, step, vent, until)
    has_returned = back < until
    found["return_ns"] = _or_nan(
        has_returned, samples.t_ns, back, samples.t_ns[np.minimum(below, len(samples.seq) - 1)]
    )
    found["partial"] = ~is_down | _cut_in_return(samples, step, shots, pick, down, is_down, below, has_returned, end)
    found["released_ns"] = shots.t_ns[pick].astype(np.float64)
    found["cycle"] = _numbers(rows, shots.seq[pick])
    seen, felt = _felt(samples, step, shots, pick, is_down)
    return found | _judged(found, step, stop - start + seen, felt, shots.parted[pick])


def _felt(
    samples: _Samples, step: Surge, shots: Shots, pick: slice, is_down: np.ndarray
) -> tuple[np.ndarray, np.ndarray]:
    """Of surges that a forced end cut short: how many samples came while they were vented, and the highest [Pa]."""
    first = np.searchsorted(samples.every_seq, shots.end_seq[pick], side="left")
    ends_ns = np.minimum(shots.end_ns[pick], NEVER - step.blow_down_ns) + step.blow_down_ns
    last = np.minimum(
        np.searchsorted(samples.every_seq, shots.vented_seq[pick], side="left"),
        np.searchsorted(samples.every_ns, ends_ns, side="right"),
    )
    last = np.where(shots.forced[pick] & ~is_down, np.maximum(first, last), first)
    return last - first, _over(np.fmax, samples.every_pa, first, last, np.nan)


def _numbers(rows: Columns, seq: np.ndarray) -> np.ndarray:
    """The number of the surge under way in the first reading at or after these messages; NaN when none came."""
    numbers = np.asarray(rows["cycle"], np.float64)
    at = _next_true(~np.isnan(numbers))[np.searchsorted(rows["seq"], seq)]
    return np.append(numbers, np.nan)[at]


def _unheard(rows: Columns, step: Surge, shots: Shots, pick: slice) -> Columns:
    """Surges of which there is no good sample at all: the record was cut off, or nobody could see."""
    count = len(shots.seq[pick])
    found = {name: np.full(count, np.nan) for name in (*_TIMES, *_PRESSURES, "feed_trough_pa")}
    found |= {"gap_ns": np.zeros(count), "above_ns": np.zeros(count), "partial": np.ones(count, bool)}
    found |= {"released_ns": shots.t_ns[pick].astype(np.float64), "cycle": _numbers(rows, shots.seq[pick])}
    return found | _judged(found, step, np.zeros(count, np.int64), np.full(count, np.nan), shots.parted[pick])


def _next_true(marks: np.ndarray) -> np.ndarray:
    """For each place the first at or behind it that is marked; their number when there is none. Shape (n + 1,)."""
    at = np.where(marks, np.arange(len(marks)), len(marks))
    return np.append(np.minimum.accumulate(at[::-1])[::-1], len(marks))


def _or_nan(there: np.ndarray, t_ns: np.ndarray, at: np.ndarray, since_ns: np.ndarray) -> np.ndarray:
    return np.where(there, (t_ns[np.minimum(at, len(t_ns) - 1)] - since_ns).astype(np.float64), np.nan)


def _over(kind: np.ufunc, values: np.ndarray, start: np.ndarray, stop: np.ndarray, nothing: float) -> np.ndarray:
    """`kind` over values[start:stop] of each row, `nothing` where that is empty."""
    padded = np.append(values, values[-1:])  # a row may begin and end behind the last sample
    pairs = np.column_stack((start, np.maximum(stop, start))).ravel()
    return np.where(stop > start, kind.reduceat(padded, pairs)[::2], nothing)


def _of_pressure(samples: _Samples, step: Surge, start: np.ndarray, stop: np.ndarray) -> Columns:
    t_ns, pressure = samples.t_ns, samples.pressure_pa
    number = np.arange(len(pressure))
    before_ns, before = np.append(t_ns[:1], t_ns[:-1]), np.append(pressure[:1], pressure[:-1])
    has_before = number > 0
    seen = stop > start
    peak = _over(np.maximum, pressure, start, stop, np.nan)
    owner = np.maximum(np.searchsorted(start, number, side="right") - 1, 0)
    peak_at = np.minimum(_next_true(pressure >= peak[owner])[np.minimum(start, len(pressure))], stop)
    high_at = _next_true(pressure >= RISE_HIGH * step.pressure_pa)[np.minimum(start, len(pressure))]
    low_at = _next_true(pressure >= RISE_LOW * step.pressure_pa)[np.minimum(start, len(pressure))]
    risen = (high_at < stop) & seen
    crossing = [
        _crossing_ns(before_ns, before, t_ns, pressure, np.minimum(at, len(pressure) - 1), share * step.pressure_pa)
        for at, share in ((low_at, RISE_LOW), (high_at, RISE_HIGH))
    ]
    took_ns = np.where(risen, crossing[1] - crossing[0], np.nan)
    with np.errstate(divide="ignore", invalid="ignore"):
        rise = (RISE_HIGH - RISE_LOW) * step.pressure_pa / (took_ns / 1e9)
    above = np.where(has_before, _time_above_ns(before_ns, before, t_ns, pressure, step.threshold_pa), 0)
    return {
        "peak_sampled_pa": peak,
        "trough_pa": _over(np.minimum, pressure, peak_at, stop, np.nan),
        "overshoot_pa": np.where(seen, np.maximum(peak - step.pressure_pa, 0.0), np.nan),
        "gap_ns": _over(np.maximum, t_ns - before_ns, start, stop, 0).astype(np.float64),
        "above_ns": _over(np.add, above, start, stop, 0).astype(np.float64),
        "rise_pa_per_s": np.where(took_ns > 0.0, rise, np.nan),
    }


def _crossing_ns(
    before_ns: np.ndarray, before: np.ndarray, t_ns: np.ndarray, pressure: np.ndarray, at: np.ndarray, level_pa: float
) -> np.ndarray:
    """calc.exact.cycle.crossing_ns at these samples."""
    b_ns, b, n_ns, p = before_ns[at], before[at], t_ns[at], pressure[at]
    flat = (b >= level_pa) | (p <= b)
    share = (level_pa - b) / np.where(flat, 1.0, p - b)
    return np.where(flat, b_ns, b_ns + (n_ns - b_ns) * share)


def _time_above_ns(
    before_ns: np.ndarray, before: np.ndarray, t_ns: np.ndarray, pressure: np.ndarray, level_pa: float
) -> np.ndarray:
    """calc.exact.cycle.time_above_ns of every sample and the one before it."""
    low, high = np.minimum(before, pressure), np.maximum(before, pressure)
    part = (high - level_pa) / np.where(high > low, high - low, 1.0)
    between = np.floor((t_ns - before_ns) * part)
    return np.where(low >= level_pa, t_ns - before_ns, np.where(high <= level_pa, 0, between)).astype(np.int64)


def _of_feed(rows: Columns, samples: _Samples, seq: np.ndarray, start: np.ndarray, stop: np.ndarray) -> Columns:
    held = samples.beside("held_peak")
    feed = samples.beside("feed")
    at = np.searchsorted(rows["seq"], seq, side="right") - 1
    charge = np.full(len(seq), np.nan)
    if samples.feed_at_row is not None:
        charge = np.where(at >= 0, samples.feed_at_row[np.maximum(at, 0)], np.nan)
    return {
        "charge_pa": charge,
        "peak_held_pa": _over(np.fmax, held, start, stop, np.nan),
        "feed_trough_pa": _over(np.fmin, feed, start, stop, np.nan),
    }


def _of_part(samples: _Samples, step: Surge, vent: np.ndarray, until: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Which sample was the first below the part's pressure, and which found it back."""
    count, part = len(samples.seq), step.part
    nowhere = np.full(len(vent), count)
    if part is None or part.sign == "trace":
        return nowhere, np.maximum(nowhere, until)
    below = _next_true(samples.pressure_pa < part.below_pa)[np.minimum(vent, count)]
    away_m = samples.beside("displacement")
    home = (away_m >= -part.home_m) & (away_m <= part.home_m)
    is_back = samples.beside("returned") == 1.0 if part.sign == "switch" else home
    return below, np.maximum(_next_true(is_back)[below], below)


def _cut_in_return(
    samples: _Samples, step: Surge, shots: Shots, pick: slice, down: np.ndarray, is_down: np.ndarray, below: np.ndarray,
    has_returned: np.ndarray, end: np.ndarray,
) -> np.ndarray:  # fmt: skip
    """Where the run ended after the blow-down and before drain and return were over."""
    end_ns = shots.end_ns[pick]
    newest = np.maximum(np.minimum(end, len(samples.seq)) - 1, 0)
    at = np.minimum(down, len(samples.seq) - 1)
    draining = (end_ns - samples.heard_ns[at]) < step.drain_ns
    part = step.part
    if part is not None and part.sign != "trace":
        since_ns = samples.t_ns[newest] - samples.t_ns[np.minimum(below, len(samples.seq) - 1)]
        patient = (end_ns - samples.heard_ns[at]) <= step.drain_ns + part.within_ns
        draining |= ~has_returned & patient & ((below >= end) | (since_ns < part.within_ns))
    return is_down & shots.forced[pick] & draining


def _judged(found: Columns, step: Surge, samples: np.ndarray, felt: np.ndarray, parted: np.ndarray) -> Columns:
    """Applied or not, valid or not and why, by the rules of rigd.engine.surge."""
    peak, charge, feed, partial = (
        found[name] for name in ("peak_sampled_pa", "charge_pa", "feed_trough_pa", "partial")
    )
    unseen = samples < FEWEST_SAMPLES
    charge_off, peak_off = step.charge_tolerance * step.charge_pa, step.peak_tolerance * step.pressure_pa
    no_rise = peak < step.threshold_pa
    marks = {
        "charge_low": charge < step.charge_pa - charge_off,
        "charge_high": charge > step.charge_pa + charge_off,
        "sagged": feed < (1.0 - step.sag) * step.charge_pa,
        "no_rise": no_rise & ~partial,
        "peak_low": (peak < step.pressure_pa - peak_off) & ~no_rise & ~partial,
        "peak_high": (peak > step.pressure_pa + peak_off) & ~partial,
        "unseen": unseen & ~partial,
        "partial": partial,
    }
    why = np.zeros(len(peak), np.int64)
    for bit, name in enumerate(REASONS):
        why |= np.where(marks[name], 1 << bit, 0)
    held = found["peak_held_pa"]
    unknown = (unseen | parted) & np.isnan(held)  # it may have come apart between two samples
    highest = np.fmax(np.fmax(peak, held), felt)
    return {"why": why, "valid": why == 0, "applied": unknown | (highest >= step.threshold_pa)}


def why_bits(words: Iterable[str], between: str) -> np.ndarray:
    """The reasons of a cycles table, `between`-joined text (n,), as the bits that `measure` gives."""
    known: dict[str, int] = {"": 0}
    for text in words:
        if text not in known:
            known[text] = 0
            for word in text.split(between):
                known[text] |= 1 << REASONS.index(word) if word in REASONS else 1 << len(REASONS)
    return np.array([known[text] for text in words], np.int64)


# --- engine and measurement side by side --------------------------------------------------------------------------

_TIMES = ("blow_down_ns", "return_ns")
_PRESSURES = ("charge_pa", "peak_sampled_pa", "peak_held_pa", "trough_pa", "overshoot_pa", "rise_pa_per_s")
_EXACT = ("cycle", "released_ns", "applied", "valid", "partial", "why", "gap_ns", "above_ns")


def differences(measured: Columns, told: Mapping[str, np.ndarray], *, unfinished: bool) -> dict[str, int]:
    """Where the engine's cycles and the measured ones differ.

    Parameters
    ----------
    measured : mapping of arrays (n,)
        Of `measure`.
    told : mapping of arrays (m,)
        The same columns of the cycles table, `why` as bits.
    unfinished : bool
        The record was cut off: a surge that was begun may have no Cycle message.

    Returns
    -------
    dict
        Column: number of the first cycle that differs in it. Empty when all agree: counts and times exactly, pressures
        to 1 ulp. The key `count` when there are more or fewer surges than were told.
    """
    count, there = len(told["cycle"]), len(measured["cycle"])
    if there != count and not (unfinished and there == count + 1):
        return {"count": there}
    mine = {name: column[:count] for name, column in measured.items()}
    found = {name: np.flatnonzero(mine[name] != told[name]) for name in _EXACT}
    found |= {name: np.flatnonzero(~_within_one_ulp(mine[name], told[name])) for name in _PRESSURES}
    whole = ~told["partial"]
    down, back = (mine[name] for name in _TIMES)
    found["blow_down_ns"] = np.flatnonzero(whole & ~_same(down, told["blow_down_ns"]))
    found["return_ns"] = np.flatnonzero(~np.isnan(told["return_ns"]) & (back != told["return_ns"]))
    return {name: int(told["cycle"][at[0]]) for name, at in found.items() if len(at)}


def _same(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return (a == b) | (np.isnan(a) & np.isnan(b))


def _within_one_ulp(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    return _same(a, b) | (np.abs(a - b) <= np.spacing(np.fmax(np.abs(a), np.abs(b))))
