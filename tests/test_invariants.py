"""The invariants of an answer, on traces of every shape."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import flowsift as fs
from flowsift.evaluate.contract import broken_invariant
from flowsift.households import simulate

START = pd.Timestamp("2024-03-04T00:00Z")
SLOW = settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@st.composite
def flows(draw):
    """Draw volumes by interval: steady and ragged uses, overlaps, lone pulses, a trickle, idle time."""
    seed = draw(st.integers(0, 2**32 - 1))
    rng = np.random.default_rng(seed)
    n = draw(st.sampled_from([1, 2, 60, 3_000, 40_000]))
    interval_s = draw(st.sampled_from([1.0, 5.0, 10.0, 60.0]))
    flow = np.zeros(n)
    for _ in range(draw(st.integers(0, 30))):
        a = int(rng.integers(0, n))
        b = min(n, a + int(rng.exponential(120 / interval_s)) + 1)
        shape = rng.choice(["flat", "ragged", "taper"])
        level = rng.lognormal(1.5, 0.8)
        form = {"flat": np.ones(b - a), "ragged": rng.random(b - a), "taper": np.linspace(1.0, 0.1, b - a)}[shape]
        flow[a:b] += level * form
    flow += draw(st.sampled_from([0.0, 0.0, 0.02, 0.5]))
    pulse_l = draw(st.sampled_from([0.0, 0.002, 0.03, 0.5, 5.0]))
    volume = flow * interval_s / 60
    if pulse_l:
        volume = np.diff(np.floor(np.cumsum(volume) / pulse_l + 1e-9), prepend=0.0) * pulse_l
    return volume, interval_s, pulse_l or None


@st.composite
def traces(draw):
    """Draw a trace, sometimes with missing intervals."""
    volume, interval_s, pulse_l = draw(flows())
    keep = np.ones(volume.size, bool)
    for _ in range(draw(st.integers(0, 3))):
        a = draw(st.integers(0, volume.size - 1))
        keep[a : a + draw(st.integers(1, 500))] = False
    if keep.sum() < 2:
        keep[:] = True
    times = START + pd.to_timedelta(np.arange(volume.size) * interval_s, unit="s")
    return fs.Trace.from_volumes(times[keep], volume[keep], pulse_l, interval_s=interval_s)


@SLOW
@given(traces())
def test_every_answer_keeps_the_contract(trace):
    answer = fs.disaggregate(trace)
    assert broken_invariant(answer, trace) == ""
    per_cell = answer.flow_by_label()
    assert (per_cell.to_numpy() >= 0).all()
    known = trace.metered_l
    assert per_cell.to_numpy().sum() * trace.interval_s / 60 == pytest.approx(known, rel=1e-9, abs=1e-12)
    gaps = trace.time_of(trace.gaps.ravel())
    for left, right in zip(gaps[::2], gaps[1::2], strict=True):
        inside = per_cell.index[(per_cell.index >= left) & (per_cell.index < right)]
        assert inside.empty


@SLOW
@given(flows(), st.sampled_from(["Asia/Kathmandu", "America/Denver"]), st.integers(-8, 8))
def test_unit_zone_and_week_change_nothing(drawn, zone, weeks):
    volume, interval_s, pulse_l = drawn
    times = START + pd.to_timedelta(np.arange(volume.size) * interval_s, unit="s")
    base = fs.disaggregate(fs.Trace.from_volumes(times, volume, pulse_l, interval_s=interval_s)).events
    moved = times.tz_convert(zone) + pd.Timedelta(days=7 * weeks)
    other = fs.disaggregate(fs.Trace.from_volumes(moved, volume, pulse_l, interval_s=interval_s)).events
    shift = pd.Timedelta(days=7 * weeks)
    assert (other["start"] - shift).tolist() == base["start"].tolist()
    pd.testing.assert_frame_equal(
        other.drop(columns=["start", "end"]), base.drop(columns=["start", "end"]), check_exact=True
    )


def test_gallons_give_the_answer_of_litres(tmp_path):
    trace = simulate(11, days=2).trace
    volume = np.zeros(trace.n_cells)
    volume[trace.cell] = trace.volume_l
    litres_per_gallon = 3.785411784
    events = {}
    for unit, factor in (("L", 1.0), ("gal", litres_per_gallon)):
        rows = pd.DataFrame({"time": trace.time_of(np.arange(trace.n_cells)), "volume": volume / factor})
        rows.to_csv(tmp_path / f"{unit}.csv", index=False)
        read = fs.read_trace(tmp_path / f"{unit}.csv", unit=unit, pulse_l=trace.pulse_l)
        events[unit] = fs.disaggregate(read).events
    assert events["gal"]["label"].tolist() == events["L"]["label"].tolist()
    np.testing.assert_allclose(events["gal"]["volume_l"], events["L"]["volume_l"], rtol=1e-9)


def test_order_of_rows_changes_nothing():
    trace = simulate(12, days=2).trace
    volume = np.zeros(trace.n_cells)
    volume[trace.cell] = trace.volume_l
    times = trace.time_of(np.arange(trace.n_cells))
    mixed = np.random.default_rng(0).permutation(trace.n_cells)
    straight = fs.disaggregate(fs.Trace.from_volumes(times, volume, trace.pulse_l)).events
    shuffled = fs.disaggregate(fs.Trace.from_volumes(times[mixed], volume[mixed], trace.pulse_l)).events
    pd.testing.assert_frame_equal(straight, shuffled)


def test_a_volume_known_over_a_gap_is_unexplained_there():
    minutes = pd.to_timedelta(np.r_[0:60, 180:240], unit="min")
    reading = np.r_[np.arange(60) * 0.5, 130 + np.arange(60) * 0.5] + 1000
    answer = fs.disaggregate(fs.Trace.from_register(START + minutes, reading))
    assert answer.balance.unexplained_l >= 99.0
    assert answer.balance.gap_s == pytest.approx(120 * 60, abs=120)


@st.composite
def rows_of_any_kind(draw):
    """Draw times, values and the constructor for them: gaps, disorder, repeats, jitter, falls, empty values."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    build = draw(st.sampled_from(["from_volumes", "from_flow", "from_register", "from_pulses"]))
    n = draw(st.integers(3, 300))
    step = draw(st.sampled_from([1, 10, 60, 900]))
    times = 1_709_510_400 + np.cumsum(rng.choice([1, 1, 1, 1, 1, 2, 7, 4_000], n)) * step
    values = rng.integers(0, 4, n) * 0.1 * step
    if build == "from_register":
        values = 1_000.0 + np.cumsum(values)
    for _ in range(draw(st.integers(0, 3))):
        k = int(rng.integers(0, n))
        fault = draw(st.sampled_from(["empty", "negative", "repeat", "late", "huge", "fall"]))
        if fault == "repeat":
            times[k] = times[k - 1]
        elif fault == "late":
            times[k] -= 5 * step
        else:
            values[k] = {"empty": np.nan, "negative": -1.0, "huge": 1e12, "fall": 0.5}[fault]
    return build, times, values


def built(build, times, values):
    """Build a trace; None where the rows are refused."""
    try:
        if build == "from_pulses":
            return fs.Trace.from_pulses(times, 0.1)
        return getattr(fs.Trace, build)(times, values)
    except fs.FlowsiftError as error:
        assert len(str(error).splitlines()) == 1  # noqa: PT017
        return None


def same_but_moved(trace, other, seconds):
    """Tell whether two traces are the same but for a shift."""
    if trace is None or other is None:
        return trace is other
    return (
        other.start_ns - trace.start_ns == seconds * 10**9
        and (trace.interval_ns, trace.n_cells, trace.pulse_l) == (other.interval_ns, other.n_cells, other.pulse_l)
        and np.array_equal(trace.cell, other.cell)
        and np.array_equal(trace.volume_l, other.volume_l)
        and np.array_equal(trace.gaps, other.gaps)
        and np.array_equal(trace.gap_volume_l, other.gap_volume_l)
    )


@SLOW
@given(rows_of_any_kind(), st.integers(-500, 500))
def test_a_shift_by_weeks_moves_the_trace_of_any_rows(rows, weeks):
    build, times, values = rows
    week_s = 7 * 86_400
    assert same_but_moved(built(build, times, values), built(build, times + weeks * week_s, values), weeks * week_s)


@SLOW
@given(rows_of_any_kind())
def test_every_kind_of_rows_gives_an_answer_that_balances(rows):
    trace = built(*rows)
    if trace is None:
        return
    answer = fs.disaggregate(trace)
    assert broken_invariant(answer, trace) == ""
    per_cell = answer.flow_by_label()
    total = per_cell.to_numpy().sum() * trace.interval_s / 60
    assert total == pytest.approx(trace.metered_l, rel=1e-9, abs=1e-12)
    # at every sample too: the parts of a metered interval are its volume
    at = per_cell.index.get_indexer(trace.time_of(trace.cell))
    parts = per_cell.to_numpy()[at].sum(axis=1) * trace.interval_s / 60
    np.testing.assert_allclose(parts, trace.volume_l, rtol=1e-9, atol=1e-12)


@SLOW
@given(rows_of_any_kind())
def test_a_gap_is_never_zero_flow(rows):
    trace = built(*rows)
    if trace is None or not len(trace.gaps):
        return
    inside = np.searchsorted(trace.gaps[:, 0], trace.cell, side="right") - 1
    assert not ((inside >= 0) & (trace.cell < trace.gaps[inside, 1])).any()
    answer = fs.disaggregate(trace)
    assert answer.balance.gap_s == pytest.approx((trace.gaps[:, 1] - trace.gaps[:, 0]).sum() * trace.interval_s)
    assert answer.balance.unexplained_l >= trace.gap_volume_l.sum() * (1 - 1e-9)
