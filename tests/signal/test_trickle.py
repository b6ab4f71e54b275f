"""The constant flow under everything."""

import numpy as np
import pytest

from flowsift import Trace, disaggregate
from flowsift.signal.trickle import find_trickle

HOUR = 3600
DAY = 86_400


def trace_of(pulse_cells_l, *, days, pulse_l):
    """Build a trace at 1 s from volumes by second."""
    cell = np.flatnonzero(pulse_cells_l)
    return Trace(
        start_ns=1_700_006_400 * 10**9,
        interval_ns=10**9,
        n_cells=days * DAY,
        cell=cell,
        volume_l=pulse_cells_l[cell],
        gaps=np.empty((0, 2), np.int64),
        gap_volume_l=np.empty(0),
        pulse_l=pulse_l,
    )


def metered(flow_lpm, pulse_l):
    """Count a flow by the second in pulses."""
    total = np.cumsum(flow_lpm) / 60
    return np.diff(np.floor(total / pulse_l + 1e-9), prepend=0) * pulse_l


def with_life(flow_lpm, rng, *, per_hour=3.0):
    """Add uses of a waking home, seven in the morning to eleven at night."""
    flow = flow_lpm.copy()
    days = flow.size // DAY
    for day in range(days):
        for _ in range(rng.poisson(per_hour * 16)):
            start = day * DAY + int(rng.uniform(7, 23) * HOUR)
            flow[start : start + int(rng.uniform(5, 200))] += rng.uniform(2, 10)
    return flow


@pytest.mark.parametrize("pulse_l", [0.002, 0.03, 0.4])
@pytest.mark.parametrize("rate_lpm", [0.02, 0.1, 0.5, 1.5])
def test_a_leak_that_begins_is_measured_and_dated(rate_lpm, pulse_l):
    rng = np.random.default_rng(5)
    onset = 2 * DAY + 10 * HOUR
    leak = np.where(np.arange(6 * DAY) >= onset, rate_lpm, 0.0)
    found = find_trickle(trace_of(metered(with_life(leak, rng), pulse_l), days=6, pulse_l=pulse_l))
    assert found.start.size == 1
    assert found.rate_lpm[0] == pytest.approx(rate_lpm, rel=0.05)
    within = 600 if rate_lpm >= 0.5 else 12 * HOUR
    assert abs(found.start[0] - onset) < within
    assert found.end[0] > 6 * DAY - 600


def test_a_leak_that_is_repaired_ends():
    rng = np.random.default_rng(6)
    leak = np.where(np.arange(5 * DAY) < 3 * DAY, 0.3, 0.0)
    found = find_trickle(trace_of(metered(with_life(leak, rng), 0.03), days=5, pulse_l=0.03))
    assert found.start.size == 1
    assert abs(found.end[0] - 3 * DAY) < 600


def test_a_leak_that_doubles_is_two_spans():
    rng = np.random.default_rng(7)
    leak = np.where(np.arange(6 * DAY) < 3 * DAY, 0.2, 0.4)
    found = find_trickle(trace_of(metered(with_life(leak, rng), 0.03), days=6, pulse_l=0.03))
    assert found.rate_lpm == pytest.approx([0.2, 0.4], rel=0.06)


@pytest.mark.parametrize(("before_lpm", "after_lpm"), [(0.25, 0.08), (0.06, 0.19), (0.4, 0.3)])
@pytest.mark.parametrize("hour", [2, 14, 21.5])
def test_a_change_of_level_is_dated_to_the_block(before_lpm, after_lpm, hour):
    change = round(3 * DAY + hour * HOUR)
    leak = np.where(np.arange(6 * DAY) < change, before_lpm, after_lpm)
    life = with_life(leak, np.random.default_rng(11), per_hour=2.0)
    found = find_trickle(trace_of(metered(life, 0.02), days=6, pulse_l=0.02))
    assert found.start.size == 2
    assert found.end[0] == found.start[1]
    assert abs(found.start[1] - change) <= 1200  # two blocks: one may hold uses


@pytest.mark.parametrize("seed", range(4))
def test_a_sound_home_has_none(seed):
    rng = np.random.default_rng(seed)
    flow = with_life(np.zeros(10 * DAY), rng, per_hour=6.0)
    assert find_trickle(trace_of(metered(flow, 0.03), days=10, pulse_l=0.03)).start.size == 0


def test_a_flapper_that_refills_every_twenty_minutes_is_none():
    flow = np.zeros(5 * DAY)
    for start in range(0, 5 * DAY, 1200):
        flow[start : start + 15] = 6.0
    assert find_trickle(trace_of(metered(flow, 0.03), days=5, pulse_l=0.03)).start.size == 0


def test_long_watering_is_none():
    flow = np.zeros(7 * DAY)
    for day in range(7):
        flow[day * DAY + 4 * HOUR : day * DAY + 8 * HOUR] = 9.0
    assert find_trickle(trace_of(metered(flow, 0.03), days=7, pulse_l=0.03)).start.size == 0


def test_missing_data_says_nothing_about_a_trickle():
    leak = metered(np.full(4 * DAY, 0.3), 0.03)
    leak[DAY : 2 * DAY] = 0.0
    trace = trace_of(leak, days=4, pulse_l=0.03)
    gone = Trace(**{**trace.__dict__, "gaps": np.array([[DAY, 2 * DAY]]), "gap_volume_l": np.zeros(1)})
    found = find_trickle(gone)
    assert found.rate_lpm == pytest.approx([0.3] * found.start.size, rel=0.05)
    assert found.start.size >= 1


def test_missing_data_does_not_end_a_trickle():
    leak = metered(np.full(4 * DAY, 0.3), 0.03)
    gap = np.array([[5 * HOUR, 7 * HOUR]])
    leak[slice(*gap[0])] = 0.0
    trace = trace_of(leak, days=4, pulse_l=0.03)
    found = find_trickle(Trace(**{**trace.__dict__, "gaps": gap, "gap_volume_l": np.zeros(1)}))
    assert found.start.tolist() == [0]
    assert found.end.tolist() == [4 * DAY]


def test_single_lost_rows_do_not_hide_a_trickle():
    leak = metered(np.full(4 * DAY, 0.3), 0.03)
    lost = np.arange(100, 4 * DAY, 250)
    leak[lost] = 0.0
    trace = trace_of(leak, days=4, pulse_l=0.03)
    gaps = np.stack([lost, lost + 1], axis=1)
    found = find_trickle(Trace(**{**trace.__dict__, "gaps": gaps, "gap_volume_l": np.zeros(lost.size)}))
    assert found.start.tolist() == [0]
    assert found.rate_lpm == pytest.approx([0.3], rel=0.02)


def test_an_empty_trace_has_none():
    assert find_trickle(trace_of(np.zeros(2 * DAY), days=2, pulse_l=0.03)).start.size == 0


def test_a_busy_day_does_not_change_the_rate():
    rng = np.random.default_rng(8)
    found = find_trickle(
        trace_of(metered(with_life(np.full(5 * DAY, 0.4), rng, per_hour=30.0), 0.01), days=5, pulse_l=0.01)
    )
    assert found.start.size == 1
    assert found.rate_lpm[0] == pytest.approx(0.4, rel=0.05)


def test_small_uses_through_coarse_pulses_are_none():
    rng = np.random.default_rng(9)
    flow = np.zeros(10 * DAY)
    for start in rng.integers(0, flow.size - 60, 10 * 30):
        flow[start : start + 20] = 5.0
    assert find_trickle(trace_of(metered(flow, 1.0), days=10, pulse_l=1.0)).start.size == 0


def test_a_trickle_takes_no_more_than_its_rate_explains():
    """Lone pulses of draws too small to be seen come by day; what they add is neither a trickle nor hidden."""
    rng, days, by_day = np.random.default_rng(4), 6, 1_500
    volume = np.zeros(days * DAY)
    volume[::20] += 0.03
    for day in range(days):
        volume[day * DAY + 8 * HOUR + rng.choice(10 * HOUR, by_day, replace=False)] += 0.03
    result = disaggregate(trace_of(volume, days=days, pulse_l=0.03))
    spans = result.trickle
    minutes = (spans["end"] - spans["start"]).dt.total_seconds() / 60
    assert spans["volume_l"].sum() == pytest.approx((spans["rate_lpm"] * minutes).sum(), rel=0.01)
    assert result.balance.unexplained_l > 50


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("rate_lpm", [0.02, 0.06, 0.3])
def test_uses_of_less_than_a_pulse_do_not_raise_the_rate(rate_lpm, seed):
    rng = np.random.default_rng(seed)
    begin, stop = 3 * DAY + 5000, 9 * DAY + 7000
    flow = np.zeros(11 * DAY)
    flow[begin:stop] = rate_lpm
    for day in range(11):
        for start in day * DAY + rng.uniform(7, 23, 60) * HOUR:
            flow[int(start) : int(start) + int(rng.uniform(3, 20))] += rng.uniform(2, 5)
    found = find_trickle(trace_of(metered(flow, 1.0), days=11, pulse_l=1.0))
    minutes = (found.end - found.start) / 60
    assert (found.rate_lpm * minutes).sum() == pytest.approx(rate_lpm * (stop - begin) / 60, rel=0.05)
    assert abs(found.start[0] - begin) < HOUR
    assert abs(found.end[-1] - stop) < HOUR


def test_a_slow_trickle_that_doubles_is_two_spans():
    leak = np.where(np.arange(8 * DAY) < 4 * DAY, 0.03, 0.06)
    found = find_trickle(trace_of(metered(with_life(leak, np.random.default_rng(3)), 0.4), days=8, pulse_l=0.4))
    assert found.rate_lpm == pytest.approx([0.03, 0.06], rel=0.03)
    assert found.start[1] == pytest.approx(4 * DAY, abs=8 * HOUR)


def test_a_slow_trickle_that_grows_is_followed_by_the_day():
    day = np.arange(9 * DAY) // DAY
    leak = np.where(day < 3, 0.0, 0.06 * 1.15 ** (day - 3.0))
    found = find_trickle(trace_of(metered(with_life(leak, np.random.default_rng(3)), 0.4), days=9, pulse_l=0.4))
    assert found.start.size >= 5
    middle = (found.start + found.end) // 2
    assert found.rate_lpm == pytest.approx(leak[middle], rel=0.03)


@pytest.mark.parametrize("pulse_l", [0.01, 0.1, 1.0])
def test_the_interval_holds_the_rate_where_small_uses_hide(pulse_l):
    rng, rate_lpm = np.random.default_rng(12), 0.45
    flow = np.full(8 * DAY, rate_lpm)
    for day in range(8):
        for start in day * DAY + rng.uniform(7, 23, 150) * HOUR:
            flow[int(start) : int(start) + int(rng.uniform(2, 12))] += rng.uniform(0.5, 2)
    found = find_trickle(trace_of(metered(flow, pulse_l), days=8, pulse_l=pulse_l))
    assert found.rate_lpm == pytest.approx([rate_lpm], rel=0.03)
    assert found.low_lpm[0] <= rate_lpm <= found.high_lpm[0]
    assert found.high_lpm[0] < 1.03 * found.low_lpm[0]


def with_refills(flow_lpm, *, every_s, seconds, rate_lpm, hours=(0, 24)):
    """Add the same short draw again and again between two hours of each day."""
    flow = flow_lpm.copy()
    for day in range(flow.size // DAY):
        for start in range(day * DAY + hours[0] * HOUR, day * DAY + hours[1] * HOUR, every_s):
            flow[start : start + seconds] += rate_lpm
    return flow


def test_what_fills_every_few_minutes_by_day_is_none_through_coarse_pulses():
    cooler = with_refills(np.zeros(9 * DAY), every_s=230, seconds=45, rate_lpm=2.0, hours=(12, 20))
    assert find_trickle(trace_of(metered(cooler, 1.0), days=9, pulse_l=1.0)).start.size == 0


def test_a_leak_is_found_beside_refills_that_were_there_before():
    leak = np.where(np.arange(10 * DAY) < 5 * DAY + 1000, 0.0, 0.5)
    flow = with_refills(with_life(leak, np.random.default_rng(13)), every_s=2750, seconds=10, rate_lpm=6.0)
    found = find_trickle(trace_of(metered(flow, 1.0), days=10, pulse_l=1.0))
    fast = np.flatnonzero(found.rate_lpm > 0.3)
    assert fast.size == 1
    assert found.rate_lpm[fast[0]] == pytest.approx(0.5 + 6.0 * 10 / 2750, rel=0.05)
    assert abs(found.start[fast[0]] - 5 * DAY - 1000) < 1800


def test_missing_days_do_not_make_a_trickle_one_that_comes_and_goes():
    leak = metered(np.full(8 * DAY, 0.3), 0.03)
    gaps = np.array([[day * DAY + 12 * HOUR, (day + 1) * DAY] for day in range(8)])
    for first, stop in gaps:
        leak[first:stop] = 0.0
    trace = trace_of(leak, days=8, pulse_l=0.03)
    found = find_trickle(Trace(**{**trace.__dict__, "gaps": gaps, "gap_volume_l": np.zeros(len(gaps))}))
    assert found.start.size >= 1
    assert found.rate_lpm == pytest.approx([0.3] * found.start.size, rel=0.02)
