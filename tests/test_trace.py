"""Constructors of `Trace`: what goes in comes out, faults are found and said, nothing missing becomes zero."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import flowsift as fs
from flowsift.units import L_PER_GAL

START = 1_709_618_400  # 2024-03-05 06:00 UTC


def seconds(n, step=1):
    return START + step * np.arange(n)


def household(n, seed=0):
    """Volumes with idle spans and uses of several pulses of 0.1 L."""
    rng = np.random.default_rng(seed)
    volume = np.zeros(n)
    for start in rng.integers(0, n, max(n // 60, 1)):
        volume[start : start + rng.integers(3, 30)] = 0.1 * rng.integers(1, 6)
    return volume


def found(trace, kind="fault"):
    return {f.what: f for f in trace.findings if f.kind == kind}


def same_trace(a, b, rtol=0.0):
    assert (a.start_ns, a.interval_ns, a.n_cells) == (b.start_ns, b.interval_ns, b.n_cells)
    np.testing.assert_array_equal(a.cell, b.cell)
    np.testing.assert_allclose(a.volume_l, b.volume_l, rtol=rtol, atol=0)
    np.testing.assert_array_equal(a.gaps, b.gaps)
    np.testing.assert_allclose(a.gap_volume_l, b.gap_volume_l, rtol=rtol, atol=0)


def sound(trace):
    """The invariants of the data model."""
    assert (np.diff(trace.cell) > 0).all()
    assert (trace.volume_l > 0).all()
    assert trace.cell.size == 0 or (trace.cell[0] >= 0 and trace.cell[-1] < trace.n_cells)
    assert trace.gaps.shape == (len(trace.gap_volume_l), 2)
    assert (trace.gaps[:, 0] < trace.gaps[:, 1]).all()
    assert (trace.gaps[1:, 0] >= trace.gaps[:-1, 1]).all()
    assert len(trace.gaps) == 0 or (trace.gaps[0, 0] >= 0 and trace.gaps[-1, 1] <= trace.n_cells)
    inside = np.searchsorted(trace.gaps[:, 0], trace.cell, side="right") - 1
    in_gap = (inside >= 0) & (trace.cell < trace.gaps[np.maximum(inside, 0), 1]) if len(trace.gaps) else np.zeros(1)
    assert not in_gap.any()
    return trace


def between(trace, first, stop):
    """The part of a trace from one cell to another, by its times."""
    return trace.between(*trace.time_of(np.array([first, stop])))


# what goes in comes out


def test_dense_volumes():
    volume = household(500)
    trace = sound(fs.Trace.from_volumes(seconds(500), volume))
    assert trace.start == pd.Timestamp("2024-03-05 06:00", tz="UTC")
    assert trace.interval_s == 1.0
    assert trace.n_cells == 500
    np.testing.assert_array_equal(trace.cell, np.flatnonzero(volume))
    np.testing.assert_array_equal(trace.volume_l, volume[volume > 0])
    assert trace.pulse_l == pytest.approx(0.1, rel=1e-9)
    assert found(trace) == {}


@pytest.mark.parametrize(
    "times",
    [
        seconds(50),
        list(seconds(50)),
        seconds(50).astype(float),
        (seconds(50) * 1_000_000_000).view("M8[ns]"),
        seconds(50).astype("M8[s]"),
        pd.to_datetime(seconds(50), unit="s"),
        pd.Series(pd.to_datetime(seconds(50), unit="s")),
        pd.to_datetime(seconds(50), unit="s", utc=True).tz_convert("Asia/Kathmandu"),
        list(pd.to_datetime(seconds(50), unit="s").to_pydatetime()),
        [t.isoformat() for t in pd.to_datetime(seconds(50), unit="s", utc=True)],
        [
            t.tz_convert(zone).isoformat()
            for t, zone in zip(
                pd.to_datetime(seconds(50), unit="s", utc=True), ["UTC", "America/Denver"] * 25, strict=True
            )
        ],
    ],
    ids=[
        "int", "list", "float", "M8[ns]", "M8[s]", "naive", "series", "zoned", "datetime", "text", "mixed offsets",
    ],
)  # fmt: skip
def test_times_of_every_form(times):
    volume = household(50)
    same_trace(fs.Trace.from_volumes(times, volume), fs.Trace.from_volumes(seconds(50), volume))


@pytest.mark.parametrize("make", [np.asarray, list, pd.Series, lambda v: pd.Series(v, dtype="Float64"), tuple])
def test_values_of_every_form(make):
    volume = household(50)
    same_trace(fs.Trace.from_volumes(seconds(50), make(volume)), fs.Trace.from_volumes(seconds(50), volume))


def test_flow_is_volume_over_the_interval():
    trace = fs.Trace.from_flow(seconds(3, step=10), [6.0, 0.0, 12.0])
    np.testing.assert_allclose(trace.volume_l, [1.0, 2.0], rtol=1e-12)


def test_register_gives_differences():
    trace = sound(fs.Trace.from_register(seconds(5), [100.0, 100.5, 100.5, 102.0, 102.0]))
    np.testing.assert_array_equal(trace.cell, [0, 2])
    np.testing.assert_allclose(trace.volume_l, [0.5, 1.5], rtol=1e-12)
    assert trace.n_cells == 4


def test_pulses_are_counted_in_their_second():
    trace = sound(fs.Trace.from_pulses([START + 0.2, START + 0.999, START + 1.0, START + 7.5], 0.25))
    np.testing.assert_array_equal(trace.cell, [0, 1, 7])
    np.testing.assert_array_equal(trace.volume_l, [0.5, 0.25, 0.25])
    assert trace.n_cells == 8
    assert len(trace.gaps) == 0


def test_pulses_on_another_grid_start_at_a_whole_interval():
    trace = fs.Trace.from_pulses([START + 65, START + 61], 1.0, interval_s=60)
    assert trace.start_ns == (START + 60) * 10**9
    assert trace.metered_l == 2.0
    assert "rows out of order" in found(trace)


def test_no_flow_at_all_is_a_trace():
    trace = fs.Trace.from_volumes(seconds(100), np.zeros(100))
    assert trace.metered_l == 0.0
    assert trace.n_cells == 100
    assert trace.pulse_l == 0.0


def test_inputs_are_never_changed():
    times, volume = seconds(200), household(200)
    volume[[5, 9]] = np.nan, 1e9
    times[[3, 4]] = times[[4, 3]]
    for array in (times, volume):
        array.setflags(write=False)
    before = times.copy(), volume.copy()
    fs.Trace.from_volumes(times, volume)
    fs.Trace.from_flow(times, volume)
    np.testing.assert_array_equal(times, before[0])
    np.testing.assert_array_equal(volume, before[1])


# errors at the door


@pytest.mark.parametrize(
    ("times", "values", "expected"),
    [
        ([], [], "no rows"),
        (seconds(3), [1.0, 2.0], "3 times and 2 values"),
        (seconds(3), [0.0, np.inf, 0.0], 'row 1, column "volume_l"'),
        (seconds(3), [0.0, 0.0, -1.0], 'row 2, column "volume_l": found -1 L'),
        (seconds(3), [0.0, "x", 1.0], "row 1, column \"volume_l\": found 'x'"),
        (["2024-01-01", "soon"], [0.0, 1.0], "row 1, column \"time\": found 'soon'"),
        ([START, np.nan], [0.0, 1.0], 'row 1, column "time"'),
        ([pd.Timestamp("2024-01-01"), pd.NaT], [0.0, 1.0], 'row 1, column "time"'),
        (seconds(2) * 1000, [0.0, 1.0], "milliseconds"),
        ([True, False], [0.0, 1.0], "true/false"),
        ([START], [1.0], "give interval_s"),
        (seconds(3), [np.nan] * 3, "no row with a usable value"),
        (seconds(3), [100.0, 200.0, 0.0], "is the unit right"),
    ],
)
def test_errors_name_the_row_and_the_column(times, values, expected):
    with pytest.raises(fs.InputError, match=r".") as error:
        fs.Trace.from_volumes(times, values)
    assert expected in str(error.value)
    assert "\n" not in str(error.value)


def test_single_row_with_an_interval():
    trace = fs.Trace.from_volumes([START], [1.5], interval_s=60)
    assert (trace.n_cells, trace.metered_l, trace.interval_s) == (1, 1.5, 60.0)


@pytest.mark.parametrize(
    "options", [{"absent": "none"}, {"timezone": "Mars/Base"}, {"unit": "cup"}, {"interval_s": 0}, {"pulse_l": -1}]
)
def test_wrong_options(options):
    with pytest.raises(fs.OptionError):
        fs.Trace.from_volumes(seconds(10), household(10), **options)


@pytest.mark.parametrize("pulse_l", [0.0, -1.0, np.nan])
def test_pulses_need_a_volume(pulse_l):
    with pytest.raises(fs.OptionError, match="pulse_l"):
        fs.Trace.from_pulses(seconds(3), pulse_l)


# faults


def test_missing_rows_are_gaps():
    volume = household(300, seed=1)
    keep = np.ones(300, bool)
    keep[100:120] = keep[200] = False
    trace = sound(fs.Trace.from_volumes(seconds(300)[keep], volume[keep]))
    np.testing.assert_array_equal(trace.gaps, [[100, 120], [200, 201]])
    assert found(trace)["missing intervals"].count == 21
    assert found(trace)["missing intervals"].first_ns == (START + 100) * 10**9
    assert trace.metered_l == pytest.approx(volume[keep].sum(), rel=1e-12)


def test_absent_rows_can_mean_zero():
    trace = sound(fs.Trace.from_volumes(seconds(300)[::7], np.ones(43) * 0.1, absent="zero", interval_s=1))
    assert len(trace.gaps) == 0
    assert trace.n_cells == 7 * 42 + 1


def test_a_flow_only_logger_is_pointed_out():
    rng = np.random.default_rng(5)
    at = np.sort(rng.choice(20_000, 900, replace=False))
    at = np.unique(np.concatenate([at, at + 1, at + 2]))
    trace = fs.Trace.from_volumes(START + at, np.full(at.size, 0.2))
    assert 'absent="zero"' in found(trace, "assumption")["intervals without a row"].treatment
    assert trace.gap_s > 0


def test_empty_values_are_missing():
    volume = household(200)
    volume[50:53] = np.nan
    trace = sound(fs.Trace.from_volumes(seconds(200), volume))
    np.testing.assert_array_equal(trace.gaps, [[50, 53]])
    assert found(trace)["rows without a value"].count == 3


def test_few_negative_values_are_missing():
    volume = household(500)
    volume[[7, 8]] = -0.5
    trace = sound(fs.Trace.from_volumes(seconds(500), volume))
    np.testing.assert_array_equal(trace.gaps, [[7, 9]])
    assert found(trace)["negative values"].count == 2
    assert "-1 L" in found(trace)["negative values"].treatment


def test_disorder_and_repeats():
    volume = household(300)
    order = np.random.default_rng(3).permutation(300)
    shuffled = fs.Trace.from_volumes(seconds(300)[order], volume[order])
    same_trace(shuffled, fs.Trace.from_volumes(seconds(300), volume))
    assert found(shuffled)["rows out of order"].count > 0
    twice = np.repeat(np.arange(300), np.where(np.arange(300) % 10 == 0, 2, 1))
    repeated = fs.Trace.from_volumes(seconds(300)[twice], volume[twice])
    same_trace(repeated, fs.Trace.from_volumes(seconds(300), volume))
    assert found(repeated)["duplicate rows"].count == 30


def test_conflicting_rows_leave_the_interval_missing():
    times = np.insert(seconds(100), 40, START + 40)
    volume = np.insert(household(100), 40, 9.0)
    trace = sound(fs.Trace.from_volumes(times, volume))
    np.testing.assert_array_equal(trace.gaps, [[40, 41]])
    assert found(trace)["conflicting rows"].count == 2


@pytest.mark.parametrize("make", [fs.Trace.from_volumes, fs.Trace.from_flow])
def test_rows_of_several_meters_are_refused(make):
    meters = [household(2000, seed=seed) for seed in range(3)]
    with pytest.raises(fs.InputError, match="rows that give different values for one interval"):
        make(np.tile(seconds(2000), 3), np.concatenate(meters))


def test_a_log_that_is_there_twice_is_one_log():
    volume = household(2000)
    twice = fs.Trace.from_volumes(np.tile(seconds(2000), 2), np.tile(volume, 2))
    same_trace(twice, fs.Trace.from_volumes(seconds(2000), volume))


def test_clock_set_back():
    first, second = household(600, seed=1), household(600, seed=2)
    times = np.concatenate([seconds(600), seconds(600) + 300])
    trace = sound(fs.Trace.from_volumes(times, np.concatenate([first, second])))
    assert found(trace)["clock set back"].count == 1
    differ = np.flatnonzero(first[300:] != second[:300]) + 300
    assert trace.gap_s == differ.size
    agreed = np.concatenate([first[:300], np.where(first[300:] == second[:300], first[300:], 0), second[300:]])
    assert trace.metered_l == pytest.approx(agreed.sum(), rel=1e-12)


def test_clock_set_back_by_part_of_an_interval():
    times = np.concatenate([seconds(600).astype(float), seconds(600) + 300.4])
    trace = sound(fs.Trace.from_volumes(times, np.full(1200, 0.1)))
    assert found(trace)["clock set back"].count == 1
    # both passes carry the same flow: an interval counts once
    assert trace.metered_l == pytest.approx(90.0, rel=0.01)


def test_clock_set_forward():
    times = np.concatenate([seconds(600), seconds(600) + 600 + 3600])
    trace = fs.Trace.from_volumes(times, household(1200))
    assert found(trace)["clock set forward"].count == 1
    assert trace.gap_s == 3600


def test_stray_times_are_dropped():
    times = np.insert(seconds(500), 250, 17)
    trace = fs.Trace.from_volumes(times, np.insert(household(500), 250, 0.3))
    assert found(trace)["stray times"].count == 1
    assert trace.n_cells == 500


def test_impossible_flow_is_missing():
    volume = household(500)
    volume[123] = 500.0
    trace = sound(fs.Trace.from_volumes(seconds(500), volume))
    np.testing.assert_array_equal(trace.gaps, [[123, 124]])
    assert "500 L were left out" in found(trace)["impossible flow"].treatment


def test_one_large_pulse_in_a_second_is_no_spike():
    volume = np.zeros(1000)
    volume[::100] = 10.0
    assert fs.Trace.from_volumes(seconds(1000), volume, pulse_l=10.0).metered_l == 100.0


def test_a_stuck_flow_is_flagged_and_kept():
    flow = household(40_000)
    flow[5000:30_000] = 7.3
    trace = fs.Trace.from_volumes(seconds(40_000), flow)
    assert found(trace)["stuck values"].count >= 25_000
    assert trace.metered_l == pytest.approx(flow.sum(), rel=1e-12)


def test_a_lone_pulse_a_minute_is_not_stuck():
    trace = fs.Trace.from_volumes(seconds(2000, step=60), np.full(2000, 1.0))
    assert "stuck values" not in found(trace)


# times that stray


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_jitter_makes_no_gaps(seed):
    rng = np.random.default_rng(seed)
    volume = household(5000, seed)
    trace = sound(fs.Trace.from_volumes(seconds(5000) + rng.uniform(-0.3, 0.3, 5000), volume))
    assert trace.interval_s == 1.0
    assert len(trace.gaps) == 0
    np.testing.assert_array_equal(trace.cell, np.flatnonzero(volume))
    assert trace.metered_l == pytest.approx(volume.sum(), rel=1e-12)


@pytest.mark.parametrize("rate", [1.0002, 0.9998])
def test_a_drifting_clock_makes_no_gaps(rate):
    n = 50_000
    rng = np.random.default_rng(0)
    volume = household(n)
    trace = sound(fs.Trace.from_volumes(START + np.arange(n) * rate + rng.normal(0, 0.004, n), volume))
    assert trace.interval_s == 1.0
    assert len(trace.gaps) == 0
    assert abs(trace.n_cells - n * rate) <= 2
    assert trace.metered_l == pytest.approx(volume.sum(), rel=1e-12)


def test_a_real_gap_amid_jitter_is_found():
    rng = np.random.default_rng(0)
    keep = np.r_[0:1000, 1100:3000]
    times = START + keep + rng.normal(0, 0.01, keep.size)
    trace = fs.Trace.from_volumes(times, household(3000)[keep])
    np.testing.assert_array_equal(trace.gaps, [[1000, 1100]])


def test_truncated_stamps_make_no_gaps():
    rng = np.random.default_rng(1)
    n = 5000
    volume = rng.uniform(0.1, 0.2, n)
    times = np.floor(START + np.arange(n) + rng.normal(0, 0.05, n)).astype(np.int64)
    trace = sound(fs.Trace.from_volumes(times, volume))
    assert trace.metered_l == pytest.approx(volume.sum(), rel=2e-3)
    assert trace.gap_s < 0.003 * n
    assert "rough time stamps" in found(trace)


def test_a_coarse_stretch_is_spread():
    times = np.concatenate([START + 60 * np.arange(100), START + 6000 + np.arange(1000)])
    volume = np.concatenate([np.full(100, 6.0), household(1000)])
    trace = sound(fs.Trace.from_volumes(times, volume))
    assert trace.interval_s == 1.0
    assert len(trace.gaps) == 0
    np.testing.assert_allclose(trace.volume_l[:6000], 0.1, rtol=1e-12)
    assert trace.metered_l == pytest.approx(volume.sum(), rel=1e-12)
    assert found(trace)["longer intervals"].count == 100
    flow = fs.Trace.from_flow(times, np.full(1100, 3.0))
    assert flow.metered_l == pytest.approx(3.0 * 7000 / 60, rel=1e-12)


def test_a_fine_stretch_is_summed():
    times = np.concatenate([START + 10 * np.arange(500), START + 5000 + np.arange(200)])
    volume = np.concatenate([household(500), household(200, seed=1)])
    trace = sound(fs.Trace.from_volumes(times, volume))
    assert trace.interval_s == 10.0
    assert trace.n_cells == 520
    assert len(trace.gaps) == 0
    assert trace.metered_l == pytest.approx(volume.sum(), rel=1e-12)
    assert found(trace)["shorter intervals"].count >= 199
    flow = fs.Trace.from_flow(times, np.full(700, 3.0))
    assert flow.metered_l == pytest.approx(3.0 * 5200 / 60, rel=1e-12)


@pytest.mark.parametrize(("step", "word"), [(60, "flushes only roughly"), (300, "Single uses"), (3600, "daily volume")])
def test_long_intervals_state_their_limit(step, word):
    trace = fs.Trace.from_volumes(seconds(100, step), household(100))
    (limit,) = found(trace, "limit").values()
    assert word in limit.treatment


# registers


def test_register_over_a_gap_knows_the_volume():
    keep = np.r_[0:100, 160:300]
    reading = 5000 + np.cumsum(household(300, seed=4))
    trace = sound(fs.Trace.from_register(seconds(300)[keep], reading[keep]))
    np.testing.assert_array_equal(trace.gaps, [[99, 160]])
    np.testing.assert_allclose(trace.gap_volume_l, [reading[160] - reading[99]], rtol=1e-12)
    assert trace.metered_s == trace.duration_s
    assert trace.gap_s == 61
    assert trace.metered_l == pytest.approx(reading[-1] - reading[0], rel=1e-12)


@pytest.mark.parametrize(("unit", "litres"), [("L", 1.0), ("gal", L_PER_GAL)])
def test_register_rolls_over(unit, litres):
    steps = np.where(np.arange(300) % 7 == 0, 1.0, 0.0)
    reading = np.mod(99_980 + np.cumsum(steps), 100_000) * litres
    trace = sound(fs.Trace.from_register(seconds(300), reading, unit=unit))
    assert found(trace)["register roll-over"].count == 1
    assert trace.metered_l == pytest.approx(steps[1:].sum() * litres, rel=1e-9)


def test_register_reset_is_missing():
    steps = household(400, seed=2)
    reading = 5432.1 + np.cumsum(steps)
    reading[200:] -= reading[199]
    reading[200:] = np.maximum(reading[200:], 0)
    trace = sound(fs.Trace.from_register(seconds(400), reading))
    assert found(trace)["register reset"].count == 1
    np.testing.assert_array_equal(trace.gaps, [[199, 200]])
    assert trace.gap_volume_l.sum() == 0
    assert trace.metered_s == trace.duration_s - 1


def test_register_dip_counts_once():
    reading = np.concatenate([np.linspace(100, 110, 101), [109.8, 109.9, 110.0, 110.1, 110.2], np.full(50, 110.2)])
    trace = sound(fs.Trace.from_register(seconds(reading.size), reading))
    assert found(trace)["register dips"].count == 1
    assert trace.metered_l == pytest.approx(10.2, rel=1e-12)


def test_register_stuck_then_jump():
    reading = np.concatenate([np.linspace(100, 150, 501), np.full(8000, 150.0), np.linspace(650, 660, 101)])
    trace = sound(fs.Trace.from_register(seconds(reading.size), reading))
    assert found(trace)["register stuck"].count == 1
    assert trace.gap_volume_l.sum() == pytest.approx(500.0, rel=1e-12)
    assert trace.gap_s >= 8000
    assert trace.metered_l == pytest.approx(560.0, rel=1e-12)


@pytest.mark.parametrize(("count_l", "step_s"), [(37.854, 10), (28.317, 1), (10.0, 1), (100.0, 10)])
def test_a_register_of_large_counts_is_not_stuck(count_l, step_s):
    used = household(20_000, seed=4) * step_s
    reading = np.floor(np.cumsum(used) / count_l) * count_l
    trace = sound(fs.Trace.from_register(START + np.arange(used.size) * step_s, reading))
    assert "register stuck" not in found(trace)
    assert trace.gap_s == 0


@pytest.mark.parametrize("first_gal", [4321.7, 98765.4])
def test_the_reading_that_a_register_begins_with_changes_no_volume(first_gal):
    steps = np.random.default_rng(1).integers(0, 9, 500)
    gallons = np.concatenate([[0], np.cumsum(steps)]) / 10
    begun, later = (
        sound(fs.Trace.from_register(seconds(501), np.round(first + gallons, 1) * L_PER_GAL, unit="gal"))
        for first in (0.0, first_gal)
    )
    as_volumes = fs.Trace.from_volumes(seconds(500), steps * (0.1 * L_PER_GAL))
    assert later.pulse_l == begun.pulse_l == as_volumes.pulse_l
    np.testing.assert_array_equal(later.volume_l, begun.volume_l)
    np.testing.assert_array_equal(as_volumes.volume_l, begun.volume_l)


def test_register_odd_reading_is_left_out():
    reading = 5000 + np.cumsum(household(400, seed=2))
    clean = fs.Trace.from_register(seconds(400), reading)
    reading[123] = 12.0
    trace = sound(fs.Trace.from_register(seconds(400), reading))
    assert found(trace)["odd readings"].count == 1
    assert trace.metered_l == pytest.approx(clean.metered_l, rel=1e-12)


def test_volumes_are_no_register():
    with pytest.raises(fs.InputError, match="falls"):
        fs.Trace.from_register(seconds(400), 50 * household(400))


def test_register_needs_two_readings():
    with pytest.raises(fs.InputError, match="at least two"):
        fs.Trace.from_register([START], [5.0])


def test_register_written_on_change():
    trace = sound(fs.Trace.from_register(START + np.array([0, 10, 11, 12, 50]), [0, 1, 2, 3, 4.0], absent="zero"))
    np.testing.assert_array_equal(trace.cell, [9, 10, 11, 49])
    assert trace.metered_l == 4.0
    assert len(trace.gaps) == 0


# invariants

VOLUMES = st.lists(
    st.one_of(st.just(0.0), st.floats(0.0, 10.0, allow_subnormal=False), st.just(float("nan"))), min_size=2, max_size=60
)


@st.composite
def gappy_rows(draw):
    values = np.array(draw(VOLUMES))
    if not np.isfinite(values).any():
        values[0] = 0.0
    skips = draw(st.lists(st.integers(1, 4), min_size=values.size, max_size=values.size))
    return START + np.cumsum(skips), values


@settings(max_examples=100, deadline=None)
@given(gappy_rows(), st.randoms(use_true_random=False))
def test_volume_is_conserved_and_order_is_free(rows, random):
    times, volume = rows
    trace = sound(fs.Trace.from_volumes(times, volume, interval_s=1.0))
    usable = np.isfinite(volume)
    assert trace.metered_l == pytest.approx(volume[usable].sum(), rel=1e-12, abs=1e-12)
    covered = np.zeros(trace.n_cells, bool)
    covered[(times - times[0])[usable]] = True
    missing = np.zeros(trace.n_cells, bool)
    for start, end in trace.gaps:
        missing[start:end] = True
    np.testing.assert_array_equal(missing, ~covered)
    order = np.arange(times.size)
    random.shuffle(order)
    shuffled = fs.Trace.from_volumes(times[order], volume[order], interval_s=1.0)
    same_trace(shuffled, trace)
    moved = bool((np.diff(times[order]) < 0).any())
    assert ("rows out of order" in found(shuffled)) == moved


@settings(max_examples=50, deadline=None)
@given(gappy_rows(), st.sampled_from(["UTC", "America/Denver", "Australia/Lord_Howe"]))
def test_the_zone_of_the_times_is_free(rows, zone):
    times, volume = rows
    stamps = pd.to_datetime(times, unit="s", utc=True)
    same_trace(
        fs.Trace.from_volumes(stamps.tz_convert(zone), volume, timezone=zone, interval_s=1.0),
        fs.Trace.from_volumes(stamps, volume, interval_s=1.0),
    )


@example([(0, 8.98846567431158e307), (1, 8.988465674311579e307)], "from_volumes", "missing")
@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.one_of(st.integers(0, 40), st.floats(0, 1e6), st.sampled_from([0.0, 60.0, 3600.0, 1e9])),
            st.one_of(st.integers(0, 3).map(float), st.floats(allow_nan=True, allow_infinity=False)),
        ),
        min_size=1,
        max_size=60,
    ),
    st.sampled_from(["from_volumes", "from_flow", "from_register"]),
    st.sampled_from(["missing", "zero"]),
)
def test_nothing_finite_crashes(rows, name, absent):
    times = np.array([float(t) for t, _ in rows])
    values = np.array([v for _, v in rows])
    try:
        trace = getattr(fs.Trace, name)(times, values, absent=absent)
    except fs.FlowsiftError as error:
        assert len(str(error).splitlines()) == 1  # noqa: PT017
    else:
        sound(trace)
        assert np.isfinite(trace.metered_l)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0, 1e6), min_size=1, max_size=60), st.floats(1e-3, 1.0))
def test_pulses_are_all_counted(times, pulse_l):
    times = np.unique(np.round(times, 3))
    trace = sound(fs.Trace.from_pulses(times, pulse_l))
    left_out = found(trace).get("impossible flow")
    if left_out is None:
        assert trace.metered_l == pytest.approx(times.size * pulse_l, rel=1e-12)


# parts by time


def test_a_part_is_what_its_rows_alone_give():
    volume = household(500)
    whole = fs.Trace.from_volumes(seconds(500), volume, pulse_l=0.1)
    same_trace(sound(between(whole, 120, 380)), fs.Trace.from_volumes(seconds(500)[120:380], volume[120:380], 0.1))
    same_trace(whole.between(), whole)


def test_parts_take_times_in_any_zone_and_between_cells():
    trace = fs.Trace.from_volumes(seconds(7200, 10), household(7200), timezone="America/Denver")
    local = trace.between("2024-03-05 00:30", "2024-03-05 01:00")
    assert str(local.start) == "2024-03-05 07:30:00+00:00"
    assert local.duration_s == 1800
    same_trace(local, trace.between("2024-03-05T07:29:55Z", pd.Timestamp("2024-03-05T09:59:55+02:00")))
    same_trace(trace.between("1999-01-01", "2024-03-05 01:00"), trace.between(end="2024-03-05 01:00"))


@pytest.mark.parametrize("span", [("noon",), ("2024-03-06",), (None, "2024-03-05"), ("3000-01-01",), (float("nan"),)])
def test_a_part_without_cells_is_an_error(span):
    with pytest.raises(fs.OptionError, match=r"expected a time|nothing of the trace"):
        fs.Trace.from_volumes(seconds(60), household(60)).between(*span)


def test_a_part_tells_of_its_own_gaps():
    keep = np.r_[0:100, 160:400]
    trace = fs.Trace.from_volumes(seconds(400)[keep], household(400)[keep])
    assert found(trace)["missing intervals"].count == 60
    assert found(between(trace, 0, 120))["missing intervals"].count == 20
    assert "missing intervals" not in found(between(trace, 200, 400))
    assert between(trace, 200, 400).gap_s == 0


@given(st.integers(1, 299), st.integers(0, 9))
@settings(deadline=None)
def test_parts_add_up_to_the_whole(cut, seed):
    rng = np.random.default_rng(seed)
    keep = np.sort(rng.choice(np.arange(300), 200, replace=False))
    keep[[0, -1]] = 0, 299
    trace = fs.Trace.from_register(seconds(300)[keep], np.cumsum(household(300, seed))[keep], interval_s=1.0)
    cut = min(cut, trace.n_cells - 1)
    before, after = sound(between(trace, 0, cut)), sound(between(trace, cut, trace.n_cells))
    assert before.n_cells + after.n_cells == trace.n_cells
    assert before.metered_l + after.metered_l == pytest.approx(trace.metered_l, rel=1e-12)
    assert before.gap_s + after.gap_s == pytest.approx(trace.gap_s)
