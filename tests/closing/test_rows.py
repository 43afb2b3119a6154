"""Reading a trace part by part finds what reading it whole finds."""

from dataclasses import fields

import numpy as np
import pytest

from rigd.calc.burst import watched_in
from rigd.closing.rows import as_arrays, nearest_ns, rows_of_step
from rigd.files.load import find, load_rig
from rigd.model.rig import Rig

STEP = 3


@pytest.fixture(scope="module")
def rig() -> Rig:
    return load_rig(find("two-modules", "rig"))


def trace_of(rig: Rig, rows: int, seed: int) -> dict[str, np.ndarray]:
    """Two devices of which the second answers now and then, ticks between, and one step in the middle."""
    rng = np.random.default_rng(seed)
    device = rng.choice([0, 0, 0, 1, -1], rows)
    device[: rows // 3] = np.where(device[: rows // 3] == 1, 0, device[: rows // 3])
    device[5] = 1  # long before the step, and then nothing until well into it: what it said still holds
    trace = {
        "t_ns": np.arange(rows, dtype=np.int64) * 10_000_000, "age_us": np.full(rows, 400), "device": device,
        "step": np.where(device < 0, np.nan, np.searchsorted([rows // 4, rows // 2], np.arange(rows), "right") + 2.0),
        "target_pa": rng.normal(1e6, 1e5, rows).astype(np.float32),
    }  # fmt: skip
    for channel in rig.channels:
        low, high = (channel.signal.counts_low, channel.signal.counts_high) if channel.signal else (0, 2)
        trace[f"{channel.name}_counts"] = rng.integers(int(low - (high - low) / 10), int(high), rows)  # some are bad
    return trace


@pytest.mark.parametrize("size", [1, 7, 100, 1000])
def test_the_rows_of_a_step_say_what_the_whole_trace_says(rig: Rig, size: int) -> None:
    trace = trace_of(rig, 400, seed=size)
    parts = [{name: column[at : at + size] for name, column in trace.items()} for at in range(0, 400, size)]
    few = rows_of_step(parts, STEP)
    assert len(few["t_ns"]) <= 400 // 2 - 400 // 4 + 3  # the step, and one row of each device before it
    whole, again = watched_in(trace, rig, STEP), watched_in(few, rig, STEP)
    assert len(whole.t_ns) > 10 and np.isfinite(whole.second_pa).any()
    for field in fields(whole):
        assert np.array_equal(getattr(whole, field.name), getattr(again, field.name), equal_nan=True), field.name


def test_a_step_that_never_came_has_no_rows(rig: Rig) -> None:
    assert len(rows_of_step([trace_of(rig, 50, seed=1)], 9)["t_ns"]) == 0


def test_the_nearest_good_sample_is_found_in_whichever_part_it_is() -> None:
    import pyarrow as pa

    parts = [
        pa.table({"t_ns": [1, 2, 3], "a_pa": [5.0, None, 9.0], "a_quality": [0, None, 2]}),
        pa.table({"t_ns": [4, 5, 6], "a_pa": [8.5, 8.5, 1.0], "a_quality": [0, 0, 0]}),
    ]
    assert nearest_ns(lambda columns: parts, "a", 9.0) == 4
    assert nearest_ns(lambda columns: parts[:0], "a", 9.0) is None
    assert as_arrays(parts[0])["a_quality"][0] == 0
