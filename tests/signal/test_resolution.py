"""What a trace can't tell for its pulse, its interval and its length."""

import numpy as np
import pytest

from flowsift import Trace
from flowsift.signal.resolution import SURELY, least_visible_lpm, limits, smallest_trickle_lpm

HOUR = 3600.0


def idle(*, hours, pulse_l=0.1, interval_s=1.0, gap_h=0.0):
    """Build a trace without flow, the last hours of it missing."""
    n = round(hours * HOUR / interval_s)
    gaps = np.array([[n - round(gap_h * HOUR / interval_s), n]]) if gap_h else np.empty((0, 2), np.int64)
    return Trace(
        start_ns=0,
        interval_ns=round(interval_s * 1e9),
        n_cells=n,
        cell=np.empty(0, np.int64),
        volume_l=np.empty(0),
        gaps=gaps,
        gap_volume_l=np.zeros(len(gaps)),
        pulse_l=pulse_l,
    )


@pytest.mark.parametrize(("hours", "stretch_min"), [(6, 10), (17.9, 10), (18, 60), (47.9, 60), (48, 180), (2000, 180)])
def test_the_least_that_can_show_is_three_pulses_in_the_longest_stretch_that_fits(hours, stretch_min):
    assert least_visible_lpm(pulse_l=0.1, known_s=hours * HOUR) == pytest.approx(0.3 / stretch_min)


def test_less_than_six_hours_show_no_trickle():
    assert least_visible_lpm(pulse_l=0.1, known_s=5.9 * HOUR) == float("inf")
    assert smallest_trickle_lpm(idle(hours=5.9)) == float("inf")
    assert {finding.what for finding in limits(idle(hours=5.9))} >= {"constant flow"}


def test_what_is_missing_shows_nothing():
    assert smallest_trickle_lpm(idle(hours=60, gap_h=20)) == smallest_trickle_lpm(idle(hours=40))


def test_a_trace_states_what_shows_for_sure():
    trace = idle(hours=100)
    assert smallest_trickle_lpm(trace) == SURELY * least_visible_lpm(pulse_l=0.1, known_s=100 * HOUR)
