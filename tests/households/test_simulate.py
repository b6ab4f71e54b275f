"""Options, faults, populations and the focused homes."""

from __future__ import annotations

import time
from math import nan

import numpy as np
import pandas as pd
import pytest

from flowsift.errors import InputError, OptionError
from flowsift.households import (
    COMMON,
    HARSH,
    Faults,
    Household,
    Trickle,
    hard_home,
    leak_home,
    overlap_home,
    simulate,
    walk_labels,
)


def held(household):
    total = np.zeros(household.trace.n_cells)
    np.add.at(total, household.truth.shares.cell, household.truth.shares.volume_l)
    np.add.at(total, household.truth.trickle_cells.cell, household.truth.trickle_cells.volume_l)
    return total


@pytest.mark.parametrize("faults", [COMMON, HARSH, Faults(gaps_per_d=3.0, gap_min=120.0)])
def test_faults_go_through_the_treatment_and_the_truth_follows(faults):
    household = simulate(12, days=4, faults=faults)
    trace = household.trace
    np.testing.assert_allclose(held(household)[trace.cell], trace.volume_l, rtol=1e-9)
    assert trace.gap_s > 0
    assert trace.findings
    assert household.truth.metered_l == pytest.approx(trace.metered_l, rel=1e-9)
    times, volume = household.raw_rows()
    assert len(times) == volume.size
    assert not times.is_monotonic_increasing or faults.disordered == 0


def test_a_dropped_row_is_lost_on_both_sides():
    clean, spoilt = simulate(12, days=3), simulate(12, days=3, faults=Faults(dropped=0.2))
    assert spoilt.trace.metered_l < 0.9 * clean.trace.metered_l
    pd.testing.assert_series_equal(clean.truth.events["volume_l"], spoilt.truth.events["volume_l"])
    assert spoilt.truth.events["metered_l"].sum() < 0.9 * clean.truth.events["metered_l"].sum()


@pytest.mark.parametrize("seed", [0, 1, 2, 3])
@pytest.mark.parametrize("population", ["standard", "shifted"])
@pytest.mark.parametrize("stock", ["us", "us-efficient", "europe"])
def test_every_population_and_stock_is_sound(seed, population, stock):
    household = simulate(seed, days=2, stock=stock, population=population, interval_s=5.0, starting_lpm=0.0)
    events = household.truth.events
    assert (events["end"] > events["start"]).all()
    assert events["start"].is_monotonic_increasing
    assert (events["volume_l"] > 0).all()
    np.testing.assert_allclose(held(household)[household.trace.cell], household.trace.volume_l, rtol=1e-9)
    assert (household.trace.volume_l > 0).all()
    assert set(events["fixture"]) <= {*household.truth.fixtures["fixture"]}
    real = events["volume_l"].sum() + household.truth.trickle["volume_l"].sum()
    assert household.trace.metered_l == pytest.approx(real, rel=0.12)


def test_the_shifted_population_has_other_shapes():
    standard, shifted = (simulate(9, days=7, population=p, outdoors=False) for p in ("standard", "shifted"))
    notes = [" ".join(h.truth.fixtures["notes"]) for h in (standard, shifted)]
    assert "tap" in notes[1]
    assert "tap" not in notes[0].replace("taper", "")
    assert standard.truth.card["population"] != shifted.truth.card["population"]


def test_pulses_are_whole():
    trace = simulate(2, days=2, pulse_l=0.25, interval_s=10.0).trace
    np.testing.assert_allclose(trace.volume_l / 0.25, np.rint(trace.volume_l / 0.25), atol=1e-9)
    assert trace.pulse_l == 0.25


def test_the_clock_change_gives_a_day_of_25_hours():
    household = simulate(2, days=2, start="2024-10-26", timezone="Europe/Madrid", interval_s=60.0)
    assert household.trace.duration_s == 49 * 3600.0
    assert household.trace.start == pd.Timestamp("2024-10-26", tz="Europe/Madrid")


@pytest.mark.parametrize(
    ("timezone", "start", "hours"), [("America/Santiago", "2024-09-07", 47), ("America/Havana", "2024-11-03", 49)]
)
def test_a_clock_that_skips_midnight_or_shows_it_twice(timezone, start, hours):
    household = simulate(2, days=2, start=start, timezone=timezone, interval_s=60.0)
    assert household.trace.duration_s == hours * 3600.0
    assert household.trace.start.tz_convert(timezone).strftime("%Y-%m-%d %H") == f"{start} 00"


def test_overlapping_uses_come_two_to_four_at_once():
    events = overlap_home(3, days=3).truth.events
    edges = pd.concat([pd.Series(1, index=events["start"]), pd.Series(-1, index=events["end"])]).sort_index(
        kind="stable"
    )
    at_once = edges.groupby(level=0).sum().cumsum()
    assert 3 <= at_once.max() <= 7
    assert events["overlaps"].mean() > 0.45


@pytest.mark.parametrize(("rate", "starting", "share"), [(0.004, 0.0, 1.0), (0.5, 0.0, 1.0), (0.05, 0.2, 0.0)])
def test_a_leak_home_leaks_as_told(rate, starting, share):
    household = leak_home(5, rate_lpm=rate, days=4, from_day=1.0, to_day=3.0, starting_lpm=starting)
    real = rate * 2 * 1440.0
    assert household.truth.trickle["volume_l"].sum() == pytest.approx(real)
    assert household.truth.trickle_cells.volume_l.sum() == pytest.approx(share * real, rel=0.05, abs=0.1 * real)
    assert not (household.truth.events["label"] == "toilet_leak").any()


def test_a_tight_home_has_an_empty_trickle_table():
    household = leak_home(5, rate_lpm=0.0, days=2)
    assert household.truth.trickle.empty
    assert household.truth.trickle["start"].dtype == "datetime64[ns, UTC]"


@pytest.mark.parametrize("seed", [0, 1])
def test_a_hard_home_has_everything_wrong(seed):
    household = hard_home(seed, days=5)
    assert {f.what for f in household.trace.findings} >= {"missing intervals", "duplicate rows"}
    assert (household.truth.events["label"] == "toilet_leak").any()
    assert len(household.truth.trickle) > 1


def test_a_householder_writes_down_uses_that_happened():
    household = simulate(3, days=5, people=2)
    table = walk_labels(household, seed=1)
    assert table["time"].is_monotonic_increasing
    assert table.groupby("fixture").size().max() <= 2
    events = household.truth.events
    for row in table.itertuples():
        mine = events[events["fixture"] == row.fixture]
        near = (mine["start"] - pd.Timedelta(minutes=2) <= row.time) & (
            row.time <= mine["end"] + pd.Timedelta(minutes=2)
        )
        assert mine.loc[near, "label"].eq(row.label).any()


def test_a_household_reads_back_as_written(tmp_path):
    household = simulate(3, days=2, interval_s=10.0, faults=COMMON, unit="gal")
    household.write(tmp_path / "sparse")
    household.truth.write(tmp_path / "log")
    household.write_log(tmp_path / "log" / "trace.csv.gz")
    for kind in ("sparse", "log"):
        back = Household.read(tmp_path / kind)
        np.testing.assert_array_equal(back.trace.cell, household.trace.cell)
        np.testing.assert_allclose(back.trace.volume_l, household.trace.volume_l, rtol=1e-8)
        np.testing.assert_array_equal(back.trace.gaps, household.trace.gaps)
        assert (back.trace.unit, back.trace.start_ns) == ("gal", household.trace.start_ns)


def test_a_home_month_takes_a_few_seconds():
    start = time.perf_counter()
    simulate(3, days=30, people=3)
    assert time.perf_counter() - start < 20.0  # one to two seconds on a free machine


@pytest.mark.parametrize(
    ("options", "text"),
    [
        ({"stock": "mars"}, "known stocks: us, us-efficient, europe"),
        ({"population": "other"}, "known populations: standard, shifted"),
        ({"days": 0}, "days must be a whole number from 1"),
        ({"days": 1.5}, "days must be a whole number from 1"),
        ({"seed": -1}, "seed must be a whole number, 0 or more"),
        ({"interval_s": 0.0}, "interval_s must be a number from 0.001 to 86,400"),
        ({"pulse_l": -1.0}, "pulse_l must be a number from 0"),
        ({"people": 9}, "people must be a whole number from 1 to 6"),
        ({"together_per_d": -3}, "together_per_d must be a whole number, 0 or more"),
        ({"spread": -1.0}, "spread must be a number, 0 or more"),
        ({"spread": nan}, "spread must be"),
        ({"starting_lpm": -1.0}, "starting_lpm must be a number, 0 or more"),
        ({"starting_lpm": nan}, "starting_lpm must be"),
        ({"include": ("sauna",)}, "known: bathtub"),
        ({"include": "hose"}, "lists of names"),
        ({"leaks": [Trickle(rate_lpm=-1.0, from_s=0.0, to_s=60.0)]}, "rate_lpm must be"),
        ({"leaks": [Trickle(rate_lpm=nan, from_s=0.0, to_s=60.0)]}, "rate_lpm must be"),
        ({"leaks": [Trickle(rate_lpm=0.1, from_s=nan, to_s=60.0)]}, "from_s must be a number, got nan"),
        ({"leaks": [Trickle(rate_lpm=0.1, from_s=90.0, to_s=60.0)]}, "to_s must be a number, 90 or more"),
        ({"leaks": [Trickle(rate_lpm=0.1, from_s=0.0, to_s=60.0, growth_per_d=-3.0)]}, "growth_per_d must be"),
        ({"main_closed_s": [(100.0, 500.0), (200.0, 900.0)]}, "disjoint, got 200 to 900 after 500"),
        ({"main_closed_s": [(500.0, 100.0)]}, "disjoint, got 500 to 100"),
        ({"main_closed_s": [(nan, 500.0)]}, "disjoint, got nan"),
        ({"main_closed_s": (100.0, 500.0)}, "pairs of seconds"),
        ({"faults": Faults(dropped=2.0)}, "dropped must be a number from 0 to 0.9"),
        ({"faults": Faults(drift_ppm=-2e6)}, "drift_ppm must be a number from -100,000"),
        ({"faults": Faults(drift_ppm=nan)}, "drift_ppm must be"),
        ({"faults": Faults(gaps_per_d=np.inf)}, "gaps_per_d must be"),
        ({"start": "some day"}, "start must be a date"),
        ({"start": None}, "start must be a date"),
        ({"timezone": "Mars"}, "unknown time zone 'Mars'"),
        ({"timezone": None}, "unknown time zone None"),
        ({"unit": "pint"}, "unknown unit"),
    ],
)
def test_an_unknown_option_is_named(options, text):
    with pytest.raises(OptionError, match=text):
        simulate(**{"seed": 1, "days": 1, **options})


def test_a_missing_file_is_named(tmp_path):
    with pytest.raises(InputError, match=r"shares\.csv\.gz"):
        Household.read(tmp_path)
