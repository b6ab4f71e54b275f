"""Averages over many homes agree with published end-use studies.

Sources: DeOreo, Mayer, Dziegielewski and Kiefer 2016, Residential End Uses of Water, version 2 (REU v2); Mayer,
DeOreo and others 1999, Residential End Uses of Water (REUWS); Dutch household water use 2021 (litres a person and day
and litres a use, as printed by the water companies' association). Figures marked (m) were encoded from memory.
Single homes differ by a factor of two (geometric standard deviation 1.8, 595 houses, 1997), so a mean of 60 homes is
known to about 8 %; the margins below are two to three times that.
"""

from __future__ import annotations

from typing import NamedTuple

import pandas as pd
import pytest

from flowsift.households import simulate
from flowsift.units import L_PER_GAL

N_HOMES = 60
N_DAYS = 7


class Averages(NamedTuple):
    """Of many homes without outdoor use."""

    by_label: pd.DataFrame
    people_days: float
    home_days: float
    leak_l: float
    load_l: pd.Series
    loads: pd.Series


def averages_of(stock):
    events, people_days, leak_l = [], 0, 0.0
    for seed in range(N_HOMES):
        truth = simulate(
            1000 + seed, days=N_DAYS, stock=stock, outdoors=False, start="2024-03-04", interval_s=60.0
        ).truth
        events.append(truth.events.assign(home=seed))
        people_days += N_DAYS * len(truth.card["people"])
        leak_l += truth.trickle["volume_l"].sum()
        leak_l += truth.events.loc[truth.events["label"] == "toilet_leak", "volume_l"].sum()
    table = pd.concat(events)
    table["seconds"] = (table["end"] - table["start"]).dt.total_seconds()
    by_label = table.groupby("label").agg(
        n=("volume_l", "size"), volume_l=("volume_l", "sum"), mean_l=("volume_l", "mean"), seconds=("seconds", "mean")
    )
    loads = table[table["cycle"].notna()].groupby(["label", "home", "cycle"])["volume_l"].sum()
    return Averages(
        by_label=by_label,
        people_days=people_days,
        home_days=N_HOMES * N_DAYS,
        leak_l=leak_l,
        load_l=loads.groupby("label").mean(),
        loads=loads.groupby("label").size(),
    )


@pytest.fixture(scope="module")
def us():
    return averages_of("us")


@pytest.fixture(scope="module")
def europe():
    return averages_of("europe")


@pytest.mark.parametrize(
    ("label", "gal_per_person_d", "rel"),
    [
        ("flush", 14.2, 0.15),  # REU v2 (m); 33.1 gal a household over 2.6 persons = 12.7 (REU v2)
        ("shower", 11.1, 0.2),  # REU v2
        ("faucet", 11.1, 0.2),  # REU v2
        ("clothes_washer", 9.6, 0.25),  # REU v2 (m)
        ("bathtub", 1.5, 0.5),  # REU v2 (m); a rare use, so its mean is uncertain
        ("dishwasher", 0.7, 0.35),  # REU v2 (m)
    ],
)
def test_us_daily_use_by_label(us, label, gal_per_person_d, rel):
    found = us.by_label.loc[label, "volume_l"] / us.people_days / L_PER_GAL
    assert found == pytest.approx(gal_per_person_d, rel=rel)


@pytest.mark.parametrize(
    ("label", "share", "margin"),
    # Shares of indoor use, REU v2 (2016): toilet 24, shower 20, faucet 20, clothes washer 16, bathtub 3, dishwasher 2.
    [
        ("flush", 0.24, 0.06),
        ("shower", 0.20, 0.06),
        ("faucet", 0.20, 0.06),
        ("clothes_washer", 0.16, 0.05),
        ("bathtub", 0.03, 0.02),
        ("dishwasher", 0.02, 0.01),
    ],
)
def test_us_share_of_indoor_use(us, label, share, margin):
    indoors = us.by_label["volume_l"].drop("toilet_leak").sum() + us.leak_l
    assert us.by_label.loc[label, "volume_l"] / indoors == pytest.approx(share, abs=margin)


def test_us_indoor_use_of_a_household(us):
    # REU v2 (2016): mean 138, median 125 gal a household and day.
    total = us.by_label["volume_l"].drop("toilet_leak").sum() + us.leak_l
    assert 110.0 < total / us.home_days / L_PER_GAL < 160.0


@pytest.mark.parametrize(
    ("label", "per_person_d", "rel"),
    [
        ("flush", 5.0, 0.12),  # REU v2: 5 flushes a person and day
        ("shower", 0.69, 0.15),  # REU v2
        ("faucet", 51.0 / 2.6, 0.25),  # REU v2 (m): 51 uses a household and day, 2.6 persons
    ],
)
def test_us_uses_a_person_and_day(us, label, per_person_d, rel):
    assert us.by_label.loc[label, "n"] / us.people_days == pytest.approx(per_person_d, rel=rel)


@pytest.mark.parametrize(
    ("label", "gal", "rel"),
    [
        ("flush", 2.6, 0.12),  # REU v2: 2.6 gal a flush
        ("shower", 15.8, 0.15),  # REU v2: 15.8 gal a shower
        ("faucet", 0.5, 0.2),  # REU v2 (m): 0.5 gal a use
        ("bathtub", 24.0, 0.25),  # REUWS: 24 gal a bath; topping up counts as a use of its own here
    ],
)
def test_us_volume_of_a_use(us, label, gal, rel):
    assert us.by_label.loc[label, "mean_l"] / L_PER_GAL == pytest.approx(gal, rel=rel)


def test_us_showers_last_and_flow_as_published(us):
    row = us.by_label.loc["shower"]
    assert row["seconds"] / 60.0 == pytest.approx(7.8, rel=0.12)  # REU v2: 7.8 min
    flow_gpm = row["mean_l"] / L_PER_GAL / (row["seconds"] / 60.0)
    assert flow_gpm == pytest.approx(2.1, rel=0.12)  # REU v2: 2.1 gal/min


def test_us_faucets_run_half_a_minute(us):
    assert us.by_label.loc["faucet", "seconds"] == pytest.approx(30.0, rel=0.25)  # REU v2 (m): 30 s


def test_us_loads(us):
    gal = us.load_l / L_PER_GAL
    assert gal["clothes_washer"] == pytest.approx(31.0, rel=0.2)  # REU v2 (m): 31 gal a load
    assert gal["dishwasher"] == pytest.approx(6.1, rel=0.15)  # REU v2: 6.1 gal a load
    assert us.loads["clothes_washer"] / us.people_days == pytest.approx(0.3, rel=0.25)  # REU v2 (m)
    assert us.loads["dishwasher"] / us.people_days == pytest.approx(0.10, abs=0.05)  # REUWS (m)


def test_us_leakage_lies_between_median_and_mean(us):
    # REU v2: mean 18 gal a household and day; REUWS (m): median 4.2. The law is so long-tailed (sd 54.1, REUWS, m)
    # that the mean of 60 homes may come anywhere between.
    assert 4.2 < us.leak_l / us.home_days / L_PER_GAL < 35.0


@pytest.mark.parametrize(
    ("label", "l_per_person_d", "rel"),
    # Netherlands (2021), L a person and day.
    [("flush", 30.2, 0.15), ("shower", 46.2, 0.2), ("clothes_washer", 16.9, 0.25), ("dishwasher", 2.9, 0.5)],
)
def test_european_daily_use_by_label(europe, label, l_per_person_d, rel):
    assert europe.by_label.loc[label, "volume_l"] / europe.people_days == pytest.approx(l_per_person_d, rel=rel)


def test_european_use_and_volumes(europe):
    total = europe.by_label["volume_l"].sum() / europe.people_days
    assert 110.0 < total < 150.0  # 128.1 L a person and day in the Netherlands (2021), 142 in the UK (2013)
    assert europe.by_label.loc["shower", "mean_l"] == pytest.approx(56.9, rel=0.15)  # Netherlands (2021)
    assert europe.load_l["clothes_washer"] == pytest.approx(48.9, rel=0.15)  # Netherlands (2021)
    assert europe.load_l["dishwasher"] == pytest.approx(11.7, rel=0.2)  # Netherlands (2021)
