"""Rows as they arrive against the same rows read as a file."""

import json
import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import flowsift as fs
from flowsift.errors import OptionError
from flowsift.stream.arrivals import AGREEING_ROWS, Arrivals
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


def arrivals(absent="missing", interval_s=1, pulse_l=0.01):
    return Arrivals(interval_ns=interval_s * NS_PER_S, hold=HOLD, pulse_l=pulse_l, absent=absent)


def fed(seconds, volumes, chunks=(), absent="missing", **meter):
    door, kept = arrivals(absent, **meter), Kept()
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


@st.composite
def leaping_feeds(draw):
    """The same with pauses of hours, and a clock that is ahead for some rows, which may be sent again."""
    seconds, volume, chunks = draw(feeds())
    for _ in range(draw(st.integers(0, 3))):
        k = draw(st.integers(0, seconds.size))
        seconds = np.concatenate([seconds[:k], seconds[k:] + draw(st.integers(3500, 40_000))])
    for _ in range(draw(st.integers(0, 3))):
        k, n = draw(st.integers(0, seconds.size - 1)), draw(st.integers(1, 2 * AGREEING_ROWS))
        ahead = seconds[k] + draw(st.sampled_from([5400, 90_000])) + np.arange(n) // draw(st.integers(1, 2))
        seconds = np.concatenate([seconds[:k], np.tile(ahead, 2), seconds[k:]])
        volume = np.concatenate([volume[:k], np.full(2 * n, 0.01), volume[k:]])
    return seconds, volume, chunks


@settings(max_examples=80, deadline=None)
@given(feeds() | leaping_feeds())
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


@pytest.mark.parametrize("place", [0, 10, 50])
@pytest.mark.parametrize("ahead_s", [5400, 400_000_000])
@pytest.mark.parametrize("n_ahead", [1, 2, AGREEING_ROWS - 1])
def test_a_clock_that_is_ahead_for_some_rows_does_not_make_the_others_late(place, ahead_s, n_ahead):
    first = START_S + place
    ahead = range(first + ahead_s, first + ahead_s + n_ahead)
    seconds = [*range(START_S, first), *ahead, *range(first, START_S + 100)]
    door, kept = fed(seconds, [0.5] * len(seconds))
    assert door.faults == {"stray": n_ahead}
    assert len(kept.cells) == 100
    assert kept.gaps == []


def test_rows_of_a_wrong_clock_that_are_sent_again_are_no_more_rows():
    ahead = [START_S + 5400, START_S + 5401] * AGREEING_ROWS
    door, kept = fed([*range(START_S, START_S + 50), *ahead, *range(START_S + 50, START_S + 100)], [0.5] * 116)
    assert door.faults == {"stray": 2, "repeated": len(ahead) - 2}
    assert len(kept.cells) == 100


def test_a_long_pause_is_missing_once_enough_rows_say_so():
    door, kept = arrivals(), Kept()
    back_s = START_S + 50_000
    for second in (*range(START_S, START_S + 50), *range(back_s, back_s + AGREEING_ROWS - 1)):
        door.take_one(second * NS_PER_S, 0.5, kept)
    assert door.newest == 49
    door.take_one((back_s + AGREEING_ROWS) * NS_PER_S, 0.5, kept)
    assert door.newest == 50_000 + AGREEING_ROWS
    door.flush(kept)
    assert kept.gaps == [*range(50, 50_000), 50_000 + AGREEING_ROWS - 1]
    assert len(kept.cells) == 50 + AGREEING_ROWS


def test_a_wrong_clock_amid_the_rows_after_a_pause_is_stray():
    back_s = START_S + 50_000
    seconds = [*range(START_S, START_S + 50), back_s, back_s + 1, back_s + 10**8, *range(back_s + 2, back_s + 50)]
    door, kept = fed(seconds, [0.5] * len(seconds))
    assert door.faults == {"stray": 1, "missing": 49_950}
    assert len(kept.cells) == 100


@pytest.mark.parametrize("chunks", [(), range(1, 100)])
@pytest.mark.parametrize(("every_s", "interval_s"), [(10, 1), (2, 1), (1, 10), (1, 2), (300, 60)])
def test_rows_of_another_interval_are_refused(every_s, interval_s, chunks):
    volume = np.resize([0.0, 0.0, 0.3], 100)
    with pytest.raises(OptionError, match=f"intervals of {every_s} s, the home of {interval_s} s"):
        fed(START_S + every_s * np.arange(100), volume, chunks, interval_s=interval_s)


def test_rows_that_come_only_when_water_runs_are_not_refused():
    # a pulse every five seconds, and nothing between them
    for absent in ("missing", "zero"):
        _, kept = fed(START_S + 5 * np.arange(100), np.full(100, 0.5), absent=absent, pulse_l=0.5)
        assert len(kept.cells) == 100
    # and a row of no flow now and then
    _, kept = fed(START_S + 60 * np.arange(100), np.zeros(100), absent="zero")
    assert kept.gaps == []


def test_rows_of_which_most_are_lost_are_not_refused():
    keep = np.random.default_rng(1).random(2000) < 0.15
    _, kept = fed(START_S + np.flatnonzero(keep), np.zeros(keep.sum()))
    assert len(kept.gaps) > 1000


def test_a_long_wait_for_late_rows_costs_no_more_a_row():
    def seconds_taken(n):
        door, kept = Arrivals(interval_ns=NS_PER_S, hold=n, pulse_l=0.01, absent="missing"), Kept()
        began = time.process_time()
        for k in range(n):
            door.take_one((START_S + k) * NS_PER_S, 0.5, kept)
        return time.process_time() - began

    seconds_taken(1000)
    assert seconds_taken(40_000) < 40 * max(seconds_taken(4000), 1e-3)


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
