"""The flow of each label, over the whole trace and over a span of it."""

import numpy as np
import pandas as pd
import pytest

import flowsift as fs
from flowsift.disaggregation import from_uses

HOUR = 3600


def an_answer(gap_hours=2):
    """A register read each minute, then not for some hours, in Denver; one use before the gap and one after it."""
    times = np.r_[np.arange(0, HOUR, 60), np.arange(0, HOUR, 60) + (1 + gap_hours) * HOUR].astype(float)
    reading = np.cumsum(np.where(np.isin(times % HOUR, [600, 660]), 5.0, 0.0))
    reading[times > HOUR] += 24.0
    trace = fs.Trace.from_register(times, reading, timezone="America/Denver", interval_s=60.0)
    starts = pd.to_datetime([540, 540 + (1 + gap_hours) * HOUR], unit="s", utc=True)
    uses = pd.DataFrame({"start": starts, "end": starts + pd.Timedelta(120, "s"), "label": ["flush", "shower"]})
    return from_uses(trace, uses)


def litres(table):
    return table.to_numpy().sum() * 60.0 / 60.0


def test_a_known_volume_over_a_gap_is_unexplained_there():
    answer = an_answer()
    table = answer.flow_by_label()
    assert litres(table) == pytest.approx(answer.trace.metered_l, rel=1e-12)
    assert table["flush"].sum() == table["shower"].sum() == pytest.approx(10.0)
    assert table["unexplained"].sum() == pytest.approx(24.0)
    assert table.index.is_monotonic_increasing
    assert table.index.is_unique


def test_spans_put_together_are_the_whole():
    answer = an_answer()
    cut = answer.trace.start + pd.Timedelta(90, "min")  # inside the gap
    parts = [answer.flow_by_label(end=cut), answer.flow_by_label(start=cut)]
    pd.testing.assert_frame_equal(pd.concat(parts), answer.flow_by_label())
    assert parts[0]["unexplained"].sum() == pytest.approx(24.0 * parts[0]["unexplained"].gt(0).sum() / 120, rel=0.02)
    assert answer.flow_by_label(start="2030-01-01").empty
    assert answer.flow_by_label(start=cut, end=cut).empty


def test_a_time_without_an_offset_is_local():
    answer = an_answer()
    local = answer.flow_by_label(start="1969-12-31 17:05", end="1969-12-31 17:30")
    assert set(local.index.hour) == {0}
    pd.testing.assert_frame_equal(local, answer.flow_by_label(start="1970-01-01T00:05Z", end="1970-01-01T00:30Z"))
    with pytest.raises(fs.OptionError, match="expected a time"):
        answer.flow_by_label(start="noon")


def test_flows_in_gallons_a_minute():
    table = an_answer().flow_by_label()
    us = table.in_us_units()
    assert (table.columns.name, us.columns.name) == ("flow_lpm", "flow_gpm")
    np.testing.assert_allclose(us * 3.785411784, table)
    pd.testing.assert_frame_equal(us.in_us_units(), us)
    assert table.reset_index().in_us_units()["shower"].sum() == pytest.approx(10.0 / 3.785411784)


def test_a_gap_too_long_for_a_table_is_asked_for_in_spans():
    times = np.r_[np.arange(0.0, 600.0), 3e7 + np.arange(0.0, 600.0)]
    trace = fs.Trace.from_register(times, np.where(times > 1e6, 100.0, 0.0), interval_s=1.0)
    assert trace.gap_volume_l.sum() == pytest.approx(100.0)
    none = pd.DataFrame({"start": pd.DatetimeIndex([], tz="UTC"), "end": pd.DatetimeIndex([], tz="UTC"), "label": []})
    answer = from_uses(trace, none.astype({"label": "str"}))
    with pytest.raises(fs.OptionError, match="shorter span"):
        answer.flow_by_label()
    day = answer.flow_by_label(start="1970-02-01", end="1970-02-02")
    assert len(day) == 86_400
    assert day["unexplained"].sum() / 60 == pytest.approx(100.0 * 86_400 / 3e7, rel=1e-3)
