"""Overlapping uses taken apart."""

import time

import numpy as np
import pytest

from flowsift.signal.overlap import Familiar, explain_span


def spans(levels, noise=0.01):
    """Explain levels and return each use as (first level, flows)."""
    found = explain_span(list(map(float, levels)), [noise] * len(levels), [1.0] * len(levels))
    return sorted((use.first, tuple(np.round(use.flows_lpm, 2))) for use in found.uses)


@pytest.mark.parametrize(
    ("levels", "uses"),
    [
        pytest.param([6], [(0, (6.0,))], id="alone"),
        pytest.param([8, 14, 8], [(0, (8.0, 8.0, 8.0)), (1, (6.0,))], id="a flush during a shower"),
        pytest.param([2, 5.5, 2, 4, 2], [(0, (2.0,) * 5), (1, (3.5,)), (3, (2.0,))], id="two taps on a slow refill"),
        pytest.param([8, 14, 6], [(0, (8.0, 8.0)), (1, (6.0, 6.0))], id="the second outlasts the first"),
        pytest.param([12, 9], [(0, (12.0, 9.0))], id="a shower turned down"),
        pytest.param([8, 14, 17, 14, 8], [(0, (8.0,) * 5), (1, (6.0,) * 3), (2, (3.0,))], id="three at once"),
    ],
)
def test_uses_of_a_span(levels, uses):
    assert spans(levels) == uses


def test_four_at_once():
    # Shower 8, flush 6, tap 3, washer 5; the flush closes last but two.
    assert [first for first, _ in spans([8, 14, 17, 22, 17, 14, 8])] == [0, 1, 2, 3]


def test_flows_add_up_to_the_level_everywhere():
    rng = np.random.default_rng(3)
    for _ in range(50):
        levels = rng.uniform(0.3, 25, rng.integers(1, 25)).tolist()
        found = explain_span(levels, [0.02] * len(levels), [1.0] * len(levels))
        total = np.zeros(len(levels))
        for use in found.uses:
            total[use.first : use.first + len(use.flows_lpm)] += use.flows_lpm
            assert min(use.flows_lpm) > 0
        assert total == pytest.approx(levels, rel=1e-9)
        assert 0 < found.certainty <= 1


def test_a_closing_use_may_miss_its_opening_by_the_shared_lines_dip():
    # The flush draws 6 alone, 5.6 beside a shower; when it closes the shower recovers a little.
    assert [first for first, _ in spans([8, 13.6, 8.2])] == [0, 1]


def test_an_ambiguous_division_is_less_sure_than_a_plain_one():
    plain = explain_span([8.0, 14.0, 8.0], [0.01] * 3, [1.0] * 3).certainty
    alike = explain_span([6.0, 12.0, 6.0], [0.01] * 3, [1.0] * 3).certainty
    assert alike < plain


def test_work_grows_with_the_number_of_steps_alone():
    rng = np.random.default_rng(4)
    short, long = rng.uniform(2, 20, 100).tolist(), rng.uniform(2, 20, 400).tolist()
    times = []
    for levels in (short, long):
        began = time.perf_counter()
        explain_span(levels, [0.02] * len(levels), [1.0] * len(levels))
        times.append(time.perf_counter() - began)
    assert times[1] < 12 * times[0] + 0.5


def test_a_familiar_volume_tells_a_refill_from_a_tap_turned_down():
    # A toilet of 6 L at 6 L/min, and at once a tap of 4 L/min: without knowing the toilet it is one use turned down.
    levels, minutes = [6.0, 4.0], [1.0, 0.8]
    plain = explain_span(levels, [0.01] * 2, minutes)
    known = explain_span(levels, [0.01] * 2, minutes, Familiar(volume_l=(6.0,), flow_lpm=(6.0,)))
    assert len(plain.uses) == 1
    assert len(known.uses) == 2


def test_reward_falls_with_the_distance():
    known = Familiar(volume_l=(6.0,), flow_lpm=(8.0,))
    rewards = [known.reward(volume, 8.0) for volume in (6.0, 6.3, 7.0, 12.0)]
    assert rewards == sorted(rewards, reverse=True)
    assert rewards[-1] == 0.0
