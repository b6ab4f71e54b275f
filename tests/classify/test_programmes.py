"""Loads by the programmes of the home's own machines."""

import numpy as np
import pytest

from flowsift.classify.programmes import LONGEST_SITTING_S, number_loads

BREAK_S = 2400.0
AT_S = np.array([0.0, 300.0, 3_200.0])
"""Fills of a load, with a wash phase between the second and the third that is longer than the break."""
LITRES = np.array([15.0, 8.0, 30.0])
DAY_S = 86_400.0


def loads(*starts_s, at_s=AT_S, litres=LITRES, seed=1):
    rng = np.random.default_rng(seed)
    start = np.concatenate([begin + at_s + rng.normal(0, 5, at_s.size) for begin in starts_s])
    volume = np.concatenate([litres * rng.normal(1, 0.02, litres.size) for _ in starts_s])
    order = np.argsort(start)
    return number_loads(start[order], start[order] + 60, volume[order], longest_break_s=BREAK_S)


def test_a_long_wash_phase_doesnt_end_a_load_whose_programme_is_known():
    assert loads(0, 2 * DAY_S, 3 * DAY_S).tolist() == [1, 1, 1, 2, 2, 2, 3, 3, 3]


def test_loads_run_one_after_the_other_are_told_apart_by_their_programme():
    # The second begins 15 minutes after the last fill of the first: a shorter pause than the wash phase.
    assert loads(0, DAY_S, 2 * DAY_S, 2 * DAY_S + 4_100).tolist() == [1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4]


def test_without_a_known_programme_the_pause_decides():
    assert loads(0).tolist() == [1, 1, 2]
    assert loads(0, at_s=np.array([0.0, 300.0, 1_200.0])).tolist() == [1, 1, 1]


def test_another_programme_is_not_taken_for_the_known_one():
    start = np.array([0.0, 300.0, 3_200.0, DAY_S, DAY_S + 300, DAY_S + 3_200])
    volume = np.array([15.0, 8.0, 30.0, 30.0, 15.0, 8.0])
    assert number_loads(start, start + 60, volume, longest_break_s=BREAK_S).tolist() == [1, 1, 2, 3, 3, 4]


@pytest.mark.parametrize("n", [0, 1, 5_000])
def test_no_fill_one_and_a_row_without_end(n):
    start = np.arange(n) * 600.0
    number = number_loads(start, start + 30, np.full(n, 5.0), longest_break_s=BREAK_S)
    assert number.tolist() == [1] * n


def test_a_pause_longer_than_any_wash_phase_always_ends_a_load():
    far = np.array([0.0, LONGEST_SITTING_S + 100])
    number = number_loads(far, far + 60, np.array([10.0, 10.0]), longest_break_s=BREAK_S)
    assert number.tolist() == [1, 2]
