"""Each fixture does what such fixtures do."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from flowsift.households import Trickle, simulate
from flowsift.households.days import days_from
from flowsift.households.fixtures.base import Setting
from flowsift.households.fixtures.leaks import steps
from flowsift.households.fixtures.toilets import FlapperFault, GravityToilet
from flowsift.households.occupants import Absences, Visit
from flowsift.households.population import OWNED
from flowsift.labels import LABELS

EVERYTHING = tuple(OWNED)


@pytest.fixture(scope="module")
def full_home():
    return simulate(4, days=28, people=4, include=EVERYTHING, exclude=("humidifier",), start="2024-07-01", leaks=())


def test_a_full_home_has_every_label(full_home):
    assert set(full_home.truth.events["label"]) == set(LABELS)


def test_flushes_repeat_their_volume(full_home):
    events, card = full_home.truth.events, full_home.truth.card
    toilets = [f for f in card["fixtures"] if f["kind"] == "gravity toilet" and not f["reduced_l"]]
    assert toilets
    for toilet in toilets:
        volume = events.loc[(events["fixture"] == toilet["name"]) & (events["label"] == "flush"), "volume_l"]
        assert volume.median() == pytest.approx(toilet["full_l"], rel=0.02)
        middle = volume.quantile([0.2, 0.8])
        assert (middle.iloc[1] - middle.iloc[0]) / volume.median() < 0.08


def lone_toilet(**options):
    plain = {
        "name": "toilet-1",
        "full_l": 6.0,
        "reduced_l": 0.0,
        "reduced_share": 0.0,
        "spread": 0.01,
        "refill_lpm": 8.0,
        "close": "taper",
        "taper_share": 0.2,
        "bowl_share": 0.5,
        "bowl_lpm_share": 0.1,
        "partial_share": 0.0,
        "double_share": 0.0,
    }
    return GravityToilet(**{**plain, **options})


def setting(*hours, n_days=3):
    days = days_from("2024-06-03", n=n_days, timezone="UTC")
    visits = [Visit(act="toilet", start_s=3600.0 * h, person="person-1") for h in hours]
    return Setting(days=days, visits=visits, absences=Absences(away=frozenset(), guests={}))


@pytest.mark.parametrize("close", ["taper", "crisp"])
@pytest.mark.parametrize("refill_lpm", [1.5, 8.0, 15.0])
def test_a_refill_has_the_flush_volume_at_the_valve_flow(close, refill_lpm):
    toilet = lone_toilet(close=close, refill_lpm=refill_lpm, spread=0.0, bowl_lpm_share=0.0)
    (use,) = toilet.uses(setting(10.0), np.random.default_rng(1))
    assert use.volume_l == pytest.approx(6.0, rel=1e-9)
    assert use.flow_lpm.max() == pytest.approx(refill_lpm)
    assert use.duration_s > 6.0 / refill_lpm * 60.0


def test_a_second_flush_cuts_the_first_refill_short():
    uses = lone_toilet().uses(setting(10.0, 10.0 + 20.0 / 3600.0), np.random.default_rng(1))
    first, second = sorted((u for u in uses), key=lambda u: u.start_s)
    assert first.start_s + first.duration_s <= second.start_s + 1e-6
    assert first.volume_l < 4.0
    assert second.volume_l == pytest.approx(6.0, rel=0.05)


def test_a_worn_flapper_refills_at_its_own_pace_and_starts_anew_after_a_flush():
    fault = FlapperFault(from_day=0, to_day=3, every_min=60.0, refill_l=0.8)
    uses = lone_toilet(fault=fault).uses(setting(30.0), np.random.default_rng(2))
    leaks = [u for u in uses if u.label == "toilet_leak"]
    gaps_min = np.diff([u.start_s for u in leaks]) / 60.0
    assert np.median(gaps_min) == pytest.approx(60.0, rel=0.3)
    flush = next(u for u in uses if u.label == "flush")
    after = min(u.start_s for u in leaks if u.start_s > flush.start_s)
    assert after - flush.start_s > 0.6 * 3600.0
    assert all(u.volume_l == pytest.approx(0.8, rel=0.3) for u in leaks)


def test_no_fixture_runs_twice_at_once_except_the_many_fills_of_a_leaky_toilet(full_home):
    for name, uses in full_home.truth.events.groupby("fixture"):
        late = uses["start"].to_numpy()[1:] - uses["end"].to_numpy()[:-1]
        assert (late >= np.timedelta64(-1100, "ms")).all(), name


@pytest.mark.parametrize(("label", "least", "most"), [("clothes_washer", 3, 9), ("dishwasher", 3, 6)])
def test_loads_are_groups_of_fills_with_one_number(full_home, label, least, most):
    events = full_home.truth.events
    fills = events[events["label"] == label]
    assert fills["cycle"].notna().all()
    per_load = fills.groupby("cycle").size()
    assert per_load.iloc[:-1].between(least - 1, most).all()
    span = fills.groupby("cycle")["end"].max() - fills.groupby("cycle")["start"].min()
    assert (span < pd.Timedelta(hours=3)).all()


def test_zones_run_in_turn_at_the_clock_time_and_a_broken_head_lifts_one(full_home):
    controller = next(f for f in full_home.truth.card["fixtures"] if f["kind"] == "irrigation controller")
    runs = full_home.truth.events.query("label == 'irrigation'")
    first = runs.groupby("cycle")["start"].min()
    hour = first.dt.hour + first.dt.minute / 60.0
    np.testing.assert_allclose(hour, controller["start_h"], atol=0.02)
    broken = next(z for z in controller["zones"] if z["broken"])
    mine = runs[runs["fixture"] == broken["name"]]
    flow = mine["volume_l"] / (mine["end"] - mine["start"]).dt.total_seconds() * 60.0
    day = (mine["start"] - runs["start"].min().normalize()).dt.days
    before, after = flow[day < broken["broken"]["from_day"]], flow[day >= broken["broken"]["from_day"]]
    assert len(before) >= 2
    assert after.min() > before.max() + 0.4 * broken["broken"]["extra_lpm"]


def test_a_softener_works_at_night(full_home):
    runs = full_home.truth.events.query("label == 'softener'")
    assert runs["start"].dt.hour.between(1, 3).all()
    assert runs["volume_l"].between(60.0, 270.0).all()


def test_a_leak_starts_grows_and_is_mended():
    leak = Trickle(rate_lpm=0.1, from_s=86_400.0, to_s=4 * 86_400.0, growth_per_d=0.1)
    at, rate = steps([leak], end_s=6 * 86_400.0)
    np.testing.assert_allclose(at, np.array([0, 1, 2, 3, 4]) * 86_400.0)
    np.testing.assert_allclose(rate, [0.0, 0.1, 0.11, 0.121, 0.0], atol=1e-15)


def test_nothing_runs_while_the_main_is_closed_and_a_surge_follows():
    closed = (36_000.0, 43_200.0)
    leak = Trickle(rate_lpm=0.2, from_s=0.0, to_s=2 * 86_400.0)
    home = simulate(8, days=2, people=4, main_closed_s=[closed], leaks=[leak], starting_lpm=0.0)
    start = home.trace.start
    seconds = home.trace.cell * home.trace.interval_s
    inside = (seconds >= closed[0] + 2.0) & (seconds < closed[1] - 1.0)
    assert not inside.any()
    surge = home.truth.events.query("fixture == 'main'")
    assert surge["label"].tolist() == ["other"]
    assert (surge["start"].iloc[0] - start).total_seconds() == pytest.approx(closed[1], abs=0.01)
    trickle = home.truth.trickle
    assert len(trickle) == 2
    assert trickle["volume_l"].sum() == pytest.approx(0.2 / 60.0 * (2 * 86_400.0 - 7_200.0))


def test_one_more_fixture_changes_none_of_the_others():
    with_hose = simulate(6, days=4, include=("hose", "softener", "pool"), leaks=()).truth.events
    without = simulate(6, days=4, exclude=("hose", "softener", "pool"), leaks=()).truth.events
    kept = with_hose[~with_hose["label"].isin(["hose", "softener", "pool_fill"])]
    assert len(kept) == len(without)
    columns = ["start", "label", "fixture"]
    pd.testing.assert_frame_equal(
        kept[columns].sort_values(columns, ignore_index=True), without[columns].sort_values(columns, ignore_index=True)
    )
