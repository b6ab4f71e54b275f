"""The table of events, put together from shares of cells."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

import flowsift as fs
from flowsift.disaggregation import Shares, assemble, from_uses
from flowsift.disaggregation.shares import largest_l
from flowsift.errors import InputError
from flowsift.households import simulate


def test_the_peak_of_a_use_counts_all_that_it_took_of_a_cell():
    trace = fs.Trace.from_volumes([0.0, 1.0, 2.0, 3.0], [0.1, 0.3, 0.1, 0.0], 0.01)
    # one use in two pieces, the second beside the first for a second
    shares = Shares(event=np.zeros(4, np.int64), flow=np.array([0, 1, 2, 1]), volume_l=np.array([0.1, 0.1, 0.1, 0.2]))
    result = assemble(
        trace,
        start_cell=np.array([0]),
        end_cell=np.array([3]),
        label=["faucet"],
        probability=np.array([0.9]),
        fixture=["faucet-1"],
        cycle=np.array([-1]),
        shares=shares,
    )
    assert result.events["peak_lpm"].tolist() == pytest.approx([18.0])


def test_a_use_without_a_fixture_is_on_one_named_as_its_label():
    trace = fs.Trace.from_volumes([0.0, 1.0, 2.0, 3.0], [0.1, 0.3, 0.1, 0.0], 0.01)
    times = trace.time_of(np.arange(4))
    uses = pd.DataFrame({"start": times[:3], "end": times[1:], "label": ["flush", "faucet", "shower"]})
    for fixture in ([None, np.nan, "shower-2"], [None] * 3):
        result = from_uses(trace, uses.assign(fixture=fixture))
        assert result.events["fixture"].tolist() == ["flush", "faucet", fixture[2] or "shower"]


def test_no_uses_are_an_answer_without_events():
    trace = fs.Trace.from_volumes([0.0, 1.0], [0.1, 0.3], 0.01)
    for uses in (
        pd.DataFrame([], columns=["start", "end", "label"]),
        pd.DataFrame({"start": [], "end": [], "label": []}),
    ):
        result = from_uses(trace, uses)
        assert (len(result.events), result.balance.unexplained_l) == (0, pytest.approx(0.4))


@pytest.mark.parametrize(
    ("changed", "problem"),
    [
        (
            {"end": [pd.Timestamp(1, unit="s", tz="UTC"), pd.NaT]},
            'row 1, column "end": found NaT, expected a time',
        ),
        ({"start": pd.to_datetime([0, 1], unit="s")}, 'row 0, column "start": found Timestamp.*with its time zone'),
        ({"start": ["1970-01-01T00:00Z"] * 2}, 'row 0, column "start": found \'1970'),
        ({"label": ["flush", None]}, 'row 1, column "label": found'),
    ],
)
def test_what_is_wrong_with_a_table_of_uses_is_named(changed, problem):
    trace = fs.Trace.from_volumes([0.0, 1.0], [0.1, 0.3], 0.01)
    uses = pd.DataFrame({"start": trace.time_of(np.arange(2)), "end": trace.time_of(np.arange(1, 3)), "label": "flush"})
    with pytest.raises(InputError, match=problem):
        from_uses(trace, uses.assign(**changed))
    with pytest.raises(InputError, match='column "end": no such column; found start, label'):
        from_uses(trace, uses.drop(columns="end"))


def test_times_of_uses_in_several_zones():
    trace = fs.Trace.from_volumes([0.0, 1.0, 2.0], [0.1, 0.3, 0.2], 0.01)
    zones = ("Europe/Rome", "Asia/Tokyo")
    start = [time.tz_convert(zone) for time, zone in zip(trace.time_of(np.arange(2)), zones, strict=True)]
    uses = pd.DataFrame(
        {"start": pd.Series(start, dtype=object), "end": trace.time_of(np.arange(1, 3)), "label": "flush"}
    )
    assert from_uses(trace, uses).events["volume_l"].tolist() == pytest.approx([0.1, 0.3])


@given(rows=st.lists(st.tuples(st.integers(0, 3), st.integers(0, 4), st.floats(0.0, 9.0)), max_size=30))
def test_largest_volume_against_a_slow_sum(rows):
    by_cell = {}
    for event, flow, volume_l in rows:
        by_cell[event, flow] = by_cell.get((event, flow), 0.0) + volume_l
    expected = [max((v for (event, _), v in by_cell.items() if event == k), default=0.0) for k in range(4)]
    event, flow, volume_l = (np.array([row[k] for row in rows]) for k in range(3))
    shares = Shares(event=event.astype(np.int64), flow=flow.astype(np.int64), volume_l=volume_l.astype(float))
    np.testing.assert_allclose(largest_l(shares, 4), expected, rtol=1e-12)


def test_peaks_of_a_home_with_uses_in_pieces():
    result = fs.disaggregate(simulate(3, days=3).trace)
    shares = result.shares
    taken = np.zeros((len(result.events), result.trace.n_flow))
    np.add.at(taken, (shares.event, shares.flow), shares.volume_l)
    assert shares.event.size > np.unique(np.stack([shares.event, shares.flow]), axis=1).shape[1], "no use in two pieces"
    np.testing.assert_allclose(result.events["peak_lpm"], taken.max(axis=1) * 60.0 / result.trace.interval_s)
