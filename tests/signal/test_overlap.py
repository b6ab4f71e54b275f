"""Overlapping uses taken apart."""

import time
from itertools import pairwise

import numpy as np
import pytest

from flowsift.signal.familiar import Familiar
from flowsift.signal.overlap import explain_spans


def explained(*spans, noise=0.01, minutes=None, familiar=None):
    """Explain spans of levels; return each span's uses as (first level, flows), and the certainty of each span."""
    first = np.cumsum([0, *map(len, spans)])
    levels = np.concatenate(spans).astype(np.float64)
    lasts = np.ones(levels.size) if minutes is None else np.asarray(minutes, np.float64)
    found = explain_spans(first, levels, np.full(levels.size, noise), lasts, familiar)
    uses = []
    for begin, end in pairwise(first):
        inside = (found.level >= begin) & (found.level < end)
        here = [
            (int(found.level[rows].min() - begin), tuple(np.round(found.flow_lpm[rows], 2).tolist()))
            for rows in (np.flatnonzero(inside & (found.use == k)) for k in np.unique(found.use[inside]))
        ]
        uses.append(sorted(here))
    return uses, found.certainty


def uses_of(levels, **options):
    """Explain one span."""
    return explained(levels, **options)[0][0]


CASES = [
    pytest.param([6], [(0, (6.0,))], id="alone"),
    pytest.param([8, 14, 8], [(0, (8.0, 8.0, 8.0)), (1, (6.0,))], id="a flush during a shower"),
    pytest.param([2, 5.5, 2, 4, 2], [(0, (2.0,) * 5), (1, (3.5,)), (3, (2.0,))], id="two taps on a slow refill"),
    pytest.param([8, 14, 6], [(0, (8.0, 8.0)), (1, (6.0, 6.0))], id="the second outlasts the first"),
    pytest.param([12, 9], [(0, (12.0, 9.0))], id="a shower turned down"),
    pytest.param([8, 14, 17, 14, 8], [(0, (8.0,) * 5), (1, (6.0,) * 3), (2, (3.0,))], id="three at once"),
]


@pytest.mark.parametrize(("levels", "uses"), CASES)
def test_uses_of_a_span(levels, uses):
    assert uses_of(levels) == uses


def test_spans_explained_together_are_explained_as_each_alone():
    spans = [case.values[0] for case in CASES]
    together, certainty = explained(*spans)
    assert together == [uses_of(span) for span in spans]
    assert certainty == pytest.approx([explained(span)[1][0] for span in spans], rel=1e-12)


def test_four_at_once():
    # Shower 8, flush 6, tap 3, washer 5; the flush closes last but two.
    assert [first for first, _ in uses_of([8, 14, 17, 22, 17, 14, 8])] == [0, 1, 2, 3]


def test_flows_add_up_to_the_level_everywhere():
    rng = np.random.default_rng(3)
    spans = [rng.uniform(0.3, 25, rng.integers(1, 25)) for _ in range(50)]
    levels = np.concatenate(spans)
    found = explain_spans(
        np.cumsum([0, *map(len, spans)]), levels, np.full(levels.size, 0.02), rng.uniform(0.02, 9.0, levels.size)
    )
    assert np.bincount(found.level, found.flow_lpm) == pytest.approx(levels, rel=1e-9)
    assert found.flow_lpm.min() > 0
    assert (found.certainty > 0).all()
    assert (found.certainty <= 1).all()


def test_more_uses_than_may_run_at_once_still_add_up():
    levels = np.cumsum(np.full(12, 3.0))
    found = explain_spans(np.array([0, 12]), levels, np.full(12, 0.01), np.ones(12))
    assert np.bincount(found.level, found.flow_lpm) == pytest.approx(levels, rel=1e-9)


def test_no_spans_have_no_uses():
    none = np.empty(0)
    found = explain_spans(np.zeros(1, np.int64), none, none, none)
    assert found.level.size == 0
    assert found.certainty.size == 0


def test_a_closing_use_may_miss_its_opening_by_the_shared_lines_dip():
    # The flush draws 6 alone, 5.6 beside a shower; when it closes the shower recovers a little.
    assert [first for first, _ in uses_of([8, 13.6, 8.2])] == [0, 1]


def test_an_ambiguous_division_is_less_sure_than_a_plain_one():
    plain, alike = explained([8.0, 14.0, 8.0], [6.0, 12.0, 6.0])[1]
    assert alike < plain


def test_work_grows_with_the_number_of_steps_alone():
    rng = np.random.default_rng(4)
    times = []
    for n in (100, 400):
        levels = rng.uniform(2, 20, n)
        began = time.perf_counter()
        explain_spans(np.array([0, n]), levels, np.full(n, 0.02), np.ones(n))
        times.append(time.perf_counter() - began)
    assert times[1] < 12 * times[0] + 0.5


def known_toilet():
    """Return a home with a toilet of 6 L at 6 L/min, and taps of all sorts."""
    rng = np.random.default_rng(1)
    taps = rng.lognormal(0.0, 0.8, 60), rng.lognormal(1.4, 0.3, 60)
    return Familiar.learned(np.append(np.full(40, 6.0), taps[0]), np.append(np.full(40, 6.0), taps[1]))


def test_a_familiar_volume_tells_a_refill_from_a_tap_turned_down():
    # A toilet of 6 L at 6 L/min, and at once a tap of 4 L/min: without knowing the toilet it is one use turned down.
    levels, minutes = [6.0, 4.0], [1.0, 0.8]
    assert len(uses_of(levels, minutes=minutes)) == 1
    assert len(uses_of(levels, minutes=minutes, familiar=known_toilet())) == 2


def test_odds_fall_with_the_distance_from_what_is_known():
    odds = known_toilet().of_use(np.array([6.0, 6.8, 9.0, 300.0]), np.full(4, 6.0))
    assert (np.diff(odds) < 0).all()
    assert odds[0] > 2
    assert odds[-1] < 0


def test_a_home_of_which_nothing_is_known_likes_all_uses_alike():
    volume, flow = np.array([0.05, 6.0, 200.0]), np.array([0.5, 6.0, 40.0])
    assert Familiar().of_use(volume, flow) == pytest.approx(0.0, abs=1e-9)
    assert Familiar().of_flow(flow) == pytest.approx(0.0, abs=1e-9)


def test_inputs_stay_as_they_were():
    levels, variance, minutes = np.array([8.0, 14.0, 8.0]), np.full(3, 0.01), np.ones(3)
    first = np.array([0, 3])
    for array in (first, levels, variance, minutes):
        array.setflags(write=False)
    explain_spans(first, levels, variance, minutes)
