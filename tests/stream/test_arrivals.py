"""Rows as they arrive against the same rows read as a file."""

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import flowsift as fs
from flowsift.stream.arrivals import Arrivals
from flowsift.stream.strict_json import json_fields
from flowsift.units import NS_PER_S

HOLD = 20
START_S = 1_700_000_000


class Kept:
    """Settled cells, as they were handed on."""

    def __init__(self):
        self.cells = {}
        self.gaps = []

    def flow(self, cell, volume_l):
        assert cell not in self.cells
        self.cells[cell] = volume_l

    def missing(self, first, stop):
        self.gaps.extend(range(first, stop))


def arrivals(absent="missing"):
    return Arrivals(interval_ns=NS_PER_S, hold=HOLD, pulse_l=0.01, absent=absent)


def fed(seconds, volumes, chunks=(), absent="missing"):
    door, kept = arrivals(absent), Kept()
    ns = np.round(np.asarray(seconds) * NS_PER_S).astype(np.int64)
    for rows in np.split(np.arange(ns.size), sorted({min(c, ns.size) for c in chunks})):
        door.take(ns[rows], np.asarray(volumes, dtype=float)[rows], kept)
    door.flush(kept)
    return door, kept


@st.composite
def feeds(draw):
    """Rows on the grid with some missing, late within the wait, repeated, in conflict or empty; in order of arrival."""
    n = draw(st.integers(30, 150))
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    cell = np.flatnonzero(rng.random(n) > draw(st.sampled_from([0.0, 0.05, 0.4])))
    if cell.size < 5:
        cell = np.arange(n)
    volume = np.where(rng.random(cell.size) < 0.3, rng.integers(1, 20, cell.size) * 0.01, 0.0)
    volume[rng.random(cell.size) < draw(st.sampled_from([0.0, 0.03]))] = np.nan
    again = rng.integers(0, cell.size, draw(st.integers(0, 10)))
    # three conflicts beside holes would pass for rough stamps in a file, which are moved
    other = rng.integers(0, cell.size, draw(st.integers(0, 2)))
    cell = np.concatenate([cell, cell[again], cell[other]])
    volume = np.concatenate([volume, volume[again], volume[other] + 0.01])
    arrival = cell + rng.uniform(0, draw(st.sampled_from([0.0, 1.0, HOLD / 2 - 2])), cell.size)
    order = np.argsort(arrival, kind="stable")
    chunks = draw(st.lists(st.integers(0, cell.size), max_size=6))
    return START_S + cell[order], volume[order], chunks


@settings(max_examples=80, deadline=None)
@given(feeds(), st.sampled_from(["missing", "zero"]))
def test_rows_settle_as_those_of_a_file(feed, absent):
    seconds, volume, chunks = feed
    _, kept = fed(seconds, volume, chunks, absent)
    trace = fs.Trace.from_volumes(seconds, volume, pulse_l=0.01, interval_s=1.0, absent=absent)
    assert kept.cells == dict(zip(trace.cell.tolist(), trace.volume_l.tolist(), strict=True))
    assert kept.gaps == [c for a, b in trace.gaps.tolist() for c in range(a, b)]


@settings(max_examples=40, deadline=None)
@given(feeds())
def test_chunks_and_resumes_make_no_difference(feed):
    seconds, volume, chunks = feed
    whole_door, whole = fed(seconds, volume)
    ns = seconds * NS_PER_S
    door, kept = arrivals(), Kept()
    for k in range(ns.size):
        door.take_one(int(ns[k]), float(volume[k]), kept)
        if k in chunks:
            text = json.dumps(door.state(), allow_nan=False)
            door = arrivals()
            door.resume(json_fields(text, kind="state"))
            assert json.dumps(door.state()) == text
    door.flush(kept)
    assert (kept.cells, kept.gaps) == (whole.cells, whole.gaps)
    assert door.faults == whole_door.faults


def test_a_row_later_than_the_wait_is_counted_and_left_out():
    seconds = [START_S, *range(START_S + 2, START_S + 60), START_S + 1]
    door, kept = fed(seconds, [0.5] * len(seconds))
    assert door.faults["too late"] == 1
    assert kept.gaps == [1]


def test_a_clock_that_jumps_ahead_for_one_row_does_not_make_the_others_late():
    seconds = [*range(START_S, START_S + 50), START_S + 10_000_000, *range(START_S + 50, START_S + 100)]
    door, kept = fed(seconds, [0.5] * len(seconds))
    assert door.faults == {"stray": 1}
    assert len(kept.cells) == 100
    assert kept.gaps == []


def test_a_long_pause_is_missing_once_two_rows_say_so():
    seconds = [*range(START_S, START_S + 50), *range(START_S + 50_000, START_S + 50_100)]
    _, kept = fed(seconds, [0.5] * len(seconds))
    assert kept.gaps == list(range(50, 50_000))
    assert len(kept.cells) == 150


@pytest.mark.parametrize("drift", [1 + 3e-3, 1 - 3e-3])
def test_a_drifting_clock_loses_no_volume_and_makes_no_gap(drift):
    seconds = START_S + np.arange(1000) * drift
    _, kept = fed(seconds, np.full(1000, 0.5))
    assert sum(kept.cells.values()) == pytest.approx(500.0, abs=1e-9)
    assert kept.gaps == []


def test_impossible_flow_is_missing():
    volume = np.full(100, 0.5)
    volume[50] = 5000.0
    door, kept = fed(START_S + np.arange(100), volume)
    assert door.faults == {"impossible flow": 1}
    assert kept.gaps == [50]
