"""The steady flow in a window: pulses over quiet time, with uses left out."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.study.traces import pulsed, with_use

from flowsift.errors import NotEnoughDataError
from flowsift.study.steady_rate import steady_rate
from flowsift.units import L_PER_GAL

HALF_HOUR = 1800


def test_028_gpm_is_403_gallons_a_day():
    # 0.28 gal/min x 1440 min = 403.2 gal (common practice).
    rate = steady_rate(pulsed(np.full(HALF_HOUR, 0.28 * L_PER_GAL), pulse_l=0.1), start_s=0, end_s=HALF_HOUR)
    assert rate.rate_lpm * 1440 / L_PER_GAL == pytest.approx(403.2, abs=1.0)


@settings(max_examples=60, deadline=None)
@given(
    rate=st.floats(0.02, 6.0),
    pulse=st.sampled_from([0.01, 0.03, 0.3, 1.0, 3.8]),
    interval=st.sampled_from([1.0, 10.0, 60.0]),
    phase=st.floats(0.0, 0.99),
)
def test_a_constant_flow_is_inside_its_bounds(rate, pulse, interval, phase):
    n = round(3600 / interval)
    found = steady_rate(
        pulsed(np.full(n, rate), pulse_l=pulse, interval_s=interval, phase=phase), start_s=0, end_s=3600
    )
    assert found.low_lpm <= rate <= found.high_lpm * (1 + 1e-9)
    assert found.low_lpm <= found.rate_lpm <= found.high_lpm
    assert found.quiet_s <= found.window_s == 3600.0


@pytest.mark.parametrize(("pulse", "interval"), [(0.03, 1.0), (0.3, 1.0), (0.3, 10.0), (3.8, 1.0)])
def test_uses_of_a_few_minutes_are_left_out(pulse, interval):
    flow = np.full(round(HALF_HOUR / interval), 1.06)
    for at, lasting, lpm in ((200, 60, 6.0), (500, 240, 8.0), (900, 20, 4.0), (1500, 90, 7.0)):
        flow = with_use(flow, at_s=at, lasting_s=lasting, lpm=lpm, interval_s=interval)
    found = steady_rate(pulsed(flow, pulse_l=pulse, interval_s=interval), start_s=0, end_s=HALF_HOUR)
    assert found.low_lpm <= 1.06 <= found.high_lpm
    assert found.volume_l > 1.06 * 30 + 45


def test_silence_is_zero_with_a_limit_of_one_pulse():
    found = steady_rate(pulsed(np.zeros(1200), pulse_l=0.5), start_s=0, end_s=1200)
    assert found.rate_lpm == found.low_lpm == 0.0
    assert found.is_limit
    assert found.high_lpm == pytest.approx(0.5 / 20)


def test_uses_with_silence_between_are_no_leak():
    flow = np.zeros(HALF_HOUR)
    for at in (150, 640, 1180, 1600):
        flow = with_use(flow, at_s=at, lasting_s=30, lpm=6.0)
    found = steady_rate(pulsed(flow, pulse_l=0.03), start_s=0, end_s=HALF_HOUR)
    assert found.low_lpm == 0.0
    assert found.high_lpm < 0.005


def test_missing_data_is_not_silence():
    trace = pulsed(np.full(HALF_HOUR, 1.0), pulse_l=0.05)
    whole = trace.__class__(**{**vars(trace), "gaps": np.array([[600, 1200]]), "gap_volume_l": np.zeros(1)})
    outside = (whole.cell < 600) | (whole.cell >= 1200)
    gappy = trace.__class__(**{**vars(whole), "cell": whole.cell[outside], "volume_l": whole.volume_l[outside]})
    found = steady_rate(gappy, start_s=0, end_s=HALF_HOUR)
    assert found.window_s == 1200.0
    assert found.low_lpm <= 1.0 <= found.high_lpm


def test_inputs_are_not_changed():
    trace = pulsed(np.full(600, 2.0), pulse_l=0.1)
    trace.cell.flags.writeable = trace.volume_l.flags.writeable = False
    steady_rate(trace, start_s=0, end_s=600)


@pytest.mark.parametrize("window", [(0.0, 0.5), (5000.0, 6000.0), (30.0, 20.0)])
def test_a_window_without_data_is_an_error(window):
    with pytest.raises(NotEnoughDataError, match="data"):
        steady_rate(pulsed(np.ones(100), pulse_l=0.1), start_s=window[0], end_s=window[1])
