"""What repeats in a home outranks what is typical elsewhere, in homes built from the simulator's parts."""

from dataclasses import replace

import pandas as pd
import pytest
from tests.classify.hard_homes import WELL, flush_count, found, make_home, with_showers, with_toilets

import flowsift as fs

DAYS = 6


def answered(seed, **made):
    home = make_home(seed, days=DAYS, **made)
    return home, fs.disaggregate(home.trace)


def typical_flushes_l(result):
    fixtures = result.fixtures
    return sorted(fixtures.loc[fixtures["label"] == "flush", "typical_volume_l"])


def test_a_slow_cistern_is_a_toilet():
    slow = {"full_l": 13.0, "reduced_l": 0.0, "refill_lpm": 2.0}
    home, result = answered(100_502, change=lambda h: with_toilets(h, slow))
    flushes = result.events[result.events["label"] == "flush"]
    assert flushes["duration_s"].median() > 330
    recall, precision = flush_count(home, result)
    assert recall > 0.65
    assert precision > 0.85
    assert typical_flushes_l(result) == [pytest.approx(13.0, rel=0.05)]


def test_a_toilet_of_one_gallon_beside_one_of_five():
    small = {"full_l": 3.8, "reduced_l": 0.0, "refill_lpm": 5.0}
    large = {"full_l": 18.9, "reduced_l": 0.0, "refill_lpm": 9.0}
    home, result = answered(100_502, change=lambda h: with_toilets(h, small, large))
    recall, precision = flush_count(home, result)
    assert recall > 0.65
    assert precision > 0.85
    assert typical_flushes_l(result) == [pytest.approx(3.8, rel=0.05), pytest.approx(18.9, rel=0.05)]


def test_a_rain_saver_is_a_shower():
    home, result = answered(
        100_502, change=lambda h: with_showers(h, flow_lpm=4.0, regulated=True, spout_lpm=0.0), people=3
    )
    recall, precision = found(home, result, "shower")
    assert recall > 0.8
    assert precision > 0.6


def test_the_low_pressure_of_a_well():
    home, result = answered(100_501, change=lambda h: replace(h, line=WELL))
    recall, precision = found(home, result, "flush")
    assert recall > 0.6
    assert precision > 0.8
    assert found(home, result, "shower")[0] > 0.8


def test_a_week_without_toilet_use():
    home, result = answered(100_501, left_out=("flush",))
    flushed_l = result.events.loc[result.events["label"] == "flush", "volume_l"].sum()
    assert flushed_l < 0.02 * home.trace.metered_l
    assert found(home, result, "faucet")[0] > 0.8


def test_the_first_day_is_answered_and_more_days_help():
    week = make_home(100_503, days=DAYS)
    first = make_home(100_503, days=1)
    after_a_day, after_a_week = (fs.disaggregate(home.trace) for home in (first, week))
    assert found(first, after_a_day, "flush")[0] > 0.5
    assert found(week, after_a_week, "flush")[0] > 0.85


def test_names_agree_between_runs_on_overlapping_periods():
    home = make_home(100_501, days=12)
    trace = home.trace
    day = round(86_400 / trace.interval_s)
    early, late = (
        fs.disaggregate(part(trace, first * day, last * day)).events.set_index(["start", "end", "label"])["fixture"]
        for first, last in ((0, 8), (4, 12))
    )
    both = pd.concat({"early": early, "late": late}, axis=1, join="inner").dropna()
    flushes = both[both.index.get_level_values("label") == "flush"]
    assert len(flushes) > 25
    assert flushes["early"].nunique() == 2
    assert (flushes["early"] == flushes["late"]).mean() > 0.95
    assert (both["early"] == both["late"]).mean() > 0.9


def part(trace, first, last):
    """Return a range of cells of a trace without gaps."""
    inside = (trace.cell >= first) & (trace.cell < last)
    return replace(
        trace,
        start_ns=trace.start_ns + first * trace.interval_ns,
        n_cells=last - first,
        cell=trace.cell[inside] - first,
        volume_l=trace.volume_l[inside],
    )
