"""The even spacing of a trickle's pulses."""

import numpy as np
import pytest

from flowsift.signal.spacing import even_spacing


def test_what_nothing_disturbed_is_found_among_what_uses_cut_short():
    rng = np.random.default_rng(1)
    longest_s = np.concatenate([rng.uniform(100, 1800, 60), rng.normal(1800, 15, 40)])
    found = even_spacing(longest_s, stretch_s=600.0)
    assert found.spacing_s == pytest.approx(1800, rel=0.02)
    assert 0.4 <= found.share < 0.5
    assert found.count == pytest.approx(100 * found.share * 600 / 1800, rel=0.02)
    assert found.is_even


def test_spacings_of_all_lengths_are_not_even():
    spread = np.exp(np.random.default_rng(2).uniform(np.log(60), np.log(20_000), 300))
    assert not even_spacing(spread, stretch_s=600.0).is_even


def test_a_few_spacings_prove_nothing():
    few = even_spacing(np.full(40, 3600.0), stretch_s=600.0)
    assert few.share == 1
    assert not few.is_even


def test_of_two_spacings_shown_as_often_the_longer_is_taken():
    assert even_spacing(np.repeat([500.0, 900.0], 50), stretch_s=600.0).spacing_s == pytest.approx(900)


def test_unknown_time_is_left_out():
    known = even_spacing(np.full(30, 900.0), stretch_s=600.0)
    assert even_spacing(np.append(np.full(30, 900.0), np.zeros(50)), stretch_s=600.0) == known
    assert even_spacing(np.zeros(5), stretch_s=600.0).share == 0


def test_spacings_are_of_one_rate_up_to_a_few_per_cent():
    one, near, far = (even_spacing(np.full(9, s), stretch_s=600.0) for s in (1000.0, 1050.0, 1200.0))
    assert one.alike(near)
    assert near.alike(one)
    assert not one.alike(far)
