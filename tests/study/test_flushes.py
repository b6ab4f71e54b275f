"""The study of one home: toilets told apart, their volumes, leaks, and what is left out."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.study.flushing_homes import flushing_home

import flowsift as fs
from flowsift.disaggregation import Shares, assemble, from_uses
from flowsift.errors import OptionError
from flowsift.households import simulate
from flowsift.report.flushes_text import flushes_sections
from flowsift.study import flushes
from flowsift.study.flushes_measured import COARSE_PULSE_L
from flowsift.study.flushes_odds import in_bursts, is_toilet, signs
from flowsift.study.flushes_refills import refills_of


def test_two_toilets_of_known_volume():
    result = flushing_home([(13.2, 9.0), (6.1, 11.0)])
    study = flushes(result, meter="exact")
    assert [t.full.volume_l for t in study.toilets] == pytest.approx([13.2, 6.1], rel=0.01)
    for toilet, volume in zip(study.toilets, (13.2, 6.1), strict=True):
        assert toilet.full.low_l <= volume <= toilet.full.high_l
        assert toilet.reduced is None
        assert toilet.flushes_per_day == pytest.approx(8.0, rel=0.1)
    assert [t.refill_lpm for t in study.toilets] == pytest.approx([9.0, 11.0], rel=0.05)
    assert [str(t.classes) for t in study.toilets] == ["3.5 gpf", "1.6 gpf"]
    assert [t.fixtures[0] for t in study.toilets] == ["toilet-1", "toilet-2"]
    assert study.leak is None


def test_names_do_not_matter():
    # The same events under one name: toilets are told apart by volume and flow.
    result = flushing_home([(13.2, 9.0), (6.1, 11.0)])
    uses = result.events[["start", "end", "label"]].assign(fixture="toilet-1")
    study = flushes(from_uses(result.trace, uses))
    assert [t.full.volume_l for t in study.toilets] == pytest.approx([13.2, 6.1], rel=0.01)


def test_a_toilet_is_called_as_in_the_table_of_events():
    result = flushing_home([(13.2, 9.0), (6.1, 11.0)])
    uses = result.events[["start", "end", "label", "fixture"]]
    called = uses.assign(fixture=uses["fixture"].map({"toilet-1": "toilet-2", "toilet-2": "upstairs"}))
    assert [t.name for t in flushes(from_uses(result.trace, called)).toilets] == ["toilet-2", "upstairs"]
    one = flushes(from_uses(result.trace, uses.assign(fixture="toilet-1")))
    assert {t.name for t in one.toilets} == {"toilet-1", "toilet-2"}
    nameless = flushes(from_uses(result.trace, uses.drop(columns="fixture")))
    assert {t.name for t in nameless.toilets} == {"toilet-1", "toilet-2"}
    assert set(nameless.members["toilet"]) == {"toilet-1", "toilet-2"}


def test_a_dual_flush_is_one_toilet():
    study = flushes(flushing_home([(6.0, 8.0, 3.2)], per_day=12))
    (toilet,) = study.toilets
    assert toilet.full.volume_l == pytest.approx(6.0, rel=0.015)
    assert toilet.reduced is not None
    assert toilet.reduced.volume_l == pytest.approx(3.2, rel=0.02)
    assert toilet.effective_l == pytest.approx((2 * toilet.reduced.volume_l + toilet.full.volume_l) / 3)
    assert toilet.reduced.volume_l < toilet.mean_l < toilet.full.volume_l


def test_two_toilets_alike_are_one_group():
    study = flushes(flushing_home([(6.0, 8.0), (6.0, 8.0)]))
    (toilet,) = study.toilets
    assert set(toilet.fixtures) == {"toilet-1", "toilet-2"}
    assert toilet.at_least == 1  # never seen to refill at once


def test_refills_at_once_prove_two_toilets():
    trace = flushing_home([(6.0, 8.0)]).trace
    starts = trace.start + pd.to_timedelta(np.arange(40) * 3600 + 25_000, unit="s")
    uses = pd.DataFrame({"start": starts, "end": starts + pd.Timedelta(45, "s"), "label": "flush"})
    late = uses.assign(start=uses["start"] + pd.Timedelta(5, "s"), end=uses["end"] + pd.Timedelta(5, "s"))
    both = pd.concat([uses, late]).sort_values("start")
    cell = (np.arange(40)[:, None] * 3600 + 25_000 + np.arange(50)).ravel()
    doubled = fs.Trace.from_volumes(
        trace.time_of(np.arange(trace.n_cells)),
        np.bincount(cell, np.full(cell.size, 0.26), minlength=trace.n_cells),
        0.01,
    )
    (toilet,) = flushes(from_uses(doubled, both)).toilets
    assert toilet.at_least == 2


def test_the_trickle_below_a_refill_does_not_count():
    dry = flushing_home([(6.0, 8.0)], mixed=0.0, trickle_lpm=0.0)
    wet = fs.disaggregate(flushing_home([(6.0, 8.0)], mixed=0.0, trickle_lpm=0.4).trace)
    counted = refills_of(wet, "flush").trickle_l
    assert np.median(counted[refills_of(wet, "flush").volume_l > 4.0]) > 0.2
    (with_trickle,) = flushes(wet).toilets
    (without,) = flushes(dry).toilets
    assert with_trickle.full.volume_l == pytest.approx(without.full.volume_l, rel=0.015)


def test_a_leaking_flapper_is_found_and_does_not_move_the_volume():
    result = flushing_home([(6.0, 8.0), (12.0, 11.5)], leak=(0, 0.9, 2700))
    study = flushes(result)
    leak = study.leak
    assert leak is not None
    events = result.events
    true_l = events["volume_l"][events["label"] == "toilet_leak"].sum()
    assert leak.per_day_l == pytest.approx(true_l / 10, rel=0.01)
    assert leak.every_min == pytest.approx(45.0, rel=0.06)  # seven or six in five hours
    assert leak.refill_l == pytest.approx(0.9, rel=0.05)
    assert leak.labelled
    assert leak.toilets == ("toilet-1",)  # the smaller one, whose refill flow it shares
    assert study.toilets[1].full.volume_l == pytest.approx(6.0, rel=0.01)


@pytest.mark.parametrize("called", ["faucet", "other"])
def test_a_leaking_flapper_is_found_under_another_label(called):
    result = flushing_home([(6.0, 8.0)], leak=(0, 0.9, 2700))
    uses = result.events[["start", "end", "label", "fixture"]].copy()
    uses["label"] = uses["label"].where(uses["label"] != "toilet_leak", called)
    leak = flushes(from_uses(result.trace, uses)).leak
    assert leak is not None
    assert not leak.labelled
    assert leak.refill_l == pytest.approx(0.9, rel=0.05)


def test_a_leaks_volume_at_ten_seconds_is_its_rate_by_night():
    # By day two of three refills pass for hands washed, by night one of two.
    result = coarse_home([(6.0, 8.0)], leak=(0, 1.4, 2700))
    uses = result.events[["start", "end", "label", "fixture"]].copy()
    leaking = np.flatnonzero(uses["label"] == "toilet_leak")
    asleep = uses["start"].iloc[leaking].dt.hour.to_numpy() < 5
    order = np.arange(leaking.size)
    uses.iloc[leaking[np.where(asleep, order % 2, order % 3) > 0], 2] = "faucet"
    leak = flushes(from_uses(result.trace, uses)).leak
    assert leak is not None
    assert leak.labelled
    assert leak.per_day_while_l == pytest.approx(1.4 * 86_400 / 2700, rel=0.06)


def test_a_label_alone_is_no_leak():
    # Short refills by day only, as hands that are washed: nothing of them at night.
    result = flushing_home([(6.0, 8.0)], leak=(0, 0.9, 2700))
    uses = result.events[["start", "end", "label", "fixture"]]
    by_day = uses[(uses["label"] == "flush") | (uses["start"].dt.hour >= 6)]
    assert (by_day["label"] == "toilet_leak").sum() > 100
    assert flushes(from_uses(result.trace, by_day)).leak is None


def test_left_out_says_why():
    result = flushing_home([(6.0, 8.0)])
    uses = result.events[["start", "end", "label", "fixture"]].copy()
    uses.loc[uses.index[:5], "end"] = uses["start"].iloc[:5] + pd.Timedelta(8, "s")  # cut to about a litre
    study = flushes(from_uses(result.trace, uses))
    reasons = {left.reason: left.n_events for left in study.left_out}
    assert reasons["too small for a flush (below 2 L)"] == 5
    counted = sum(left.n_events for left in study.left_out) + sum(t.full.flushes for t in study.toilets)
    assert counted == len(uses)
    assert len(study.members) == sum(t.full.flushes for t in study.toilets)


def test_a_pulse_that_is_a_large_part_of_a_flush_tells_no_refill_flow_and_no_drift():
    fine = flushing_home([(6.0, 8.0)], days=12)
    (toilet,) = flushes(fine).toilets
    assert toilet.drift is not None
    study = flushes(replace(fine, trace=replace(fine.trace, pulse_l=COARSE_PULSE_L)))
    (toilet,) = study.toilets
    assert np.isnan([toilet.refill_lpm, toilet.refill_s]).all()
    assert toilet.drift is None
    said = "\n".join(line for section in flushes_sections(study) for line in section.lines)
    assert "a pulse is a large part of a flush" in said.replace("\n ", "")
    assert "L/min" not in said


def test_a_drift_is_told_and_a_steady_toilet_is_not():
    steady = flushing_home([(6.0, 8.0)], days=12, mixed=0.0)
    (toilet,) = flushes(steady).toilets
    assert toilet.drift is not None
    assert not toilet.drift.told
    # The same refills, each sold a little more water than the one before: 0.4 L in twelve days.
    grown = steady.trace.volume_l * (1.0 + 0.066 * steady.trace.cell / steady.trace.n_cells)
    trace = fs.Trace(
        **{name: getattr(steady.trace, name) for name in ("start_ns", "interval_ns", "n_cells", "cell", "gaps")},
        volume_l=grown,
        gap_volume_l=np.empty(0),
        pulse_l=0.02,
    )
    (grows,) = flushes(from_uses(trace, steady.events[["start", "end", "label", "fixture"]])).toilets
    assert grows.drift is not None
    assert grows.drift.told
    assert grows.drift.per_month_l == pytest.approx(0.4 * 30 / 12, rel=0.25)


def test_a_home_without_toilets_says_so():
    empty = flushes(flushing_home([(6.0, 8.0)], label="shower"))
    assert empty.toilets == ()
    assert empty.left_out == ()
    assert list(empty.members.columns) == ["event", "toilet", "kind"]
    one_off = flushing_home([(6.0, 8.0)], days=1, per_day=2)
    assert flushes(one_off).toilets == ()
    assert any("short" in limit for limit in flushes(one_off).limits)


def test_options_are_checked_even_without_toilets():
    result = flushing_home([(6.0, 8.0)], days=1, per_day=2)
    with pytest.raises(OptionError, match="unknown meter"):
        flushes(result, meter="best")
    with pytest.raises(OptionError, match="unknown classes"):
        flushes(result, classes="mars")
    for volume in (-3.0, float("nan"), float("inf")):
        with pytest.raises(OptionError, match=r"replacement_l is .*, expected a number of at least 0"):
            flushes(result, replacement_l=volume)


def test_the_answer_is_the_same_in_another_zone_and_unit():
    one = flushes(flushing_home([(6.0, 8.0)], leak=(0, 0.9, 2700)))
    other = flushes(flushing_home([(6.0, 8.0)], leak=(0, 0.9, 2700), unit="gal"))
    assert one.toilets == other.toilets
    assert one.leak == other.leak


def test_a_simulated_home_end_to_end():
    # Seed of the validation range, as the benchmark's; two toilets with a wide difference.
    home = simulate(100203, days=10, stock="us", leaks=())
    study = flushes(fs.disaggregate(home.trace))
    real = home.truth.fixtures[home.truth.fixtures["label"] == "flush"].sort_values("full_l", ascending=False)
    assert len(study.toilets) == len(real)
    for toilet, full_l in zip(study.toilets, real["full_l"], strict=True):
        assert toilet.full.volume_l == pytest.approx(full_l, rel=0.03)
        assert toilet.full.low_l <= full_l <= toilet.full.high_l


def test_fills_in_bursts_are_no_toilet():
    # A washer: two fills ten minutes apart, called flushes upstream, beside a toilet.
    toilet = flushing_home([(6.0, 8.0)], mixed=0.0)
    both = toilet.trace.volume_l.copy()
    cells = np.zeros(toilet.trace.n_cells)
    cells[toilet.trace.cell] = both
    events = toilet.events[["start", "end", "label", "fixture"]]
    fills = [(day * 86_400 + 7_200 + k * 600) for day in range(10) for k in range(3)]
    for start in fills:
        cells[start : start + 60] += 0.3
    begin = toilet.trace.start + pd.to_timedelta(fills, unit="s")
    washer = pd.DataFrame(
        {"start": begin, "end": begin + pd.Timedelta(60, "s"), "label": "flush", "fixture": "toilet-2"}
    )
    trace = fs.Trace.from_volumes(toilet.trace.time_of(np.arange(cells.size)), cells, 0.02)
    study = flushes(from_uses(trace, pd.concat([events, washer]).sort_values("start")))
    assert [t.full.volume_l for t in study.toilets] == pytest.approx([6.0], rel=0.01)
    assert {left.n_events for left in study.left_out if "bursts" in left.reason} == {30}


@pytest.mark.parametrize(("interval_s", "told"), [(60.0, True), (300.0, False)])
def test_intervals_that_hold_several_uses_show_no_toilet(interval_s, told):
    result = fs.disaggregate(simulate(seed=4, days=14, interval_s=interval_s).trace)
    study = flushes(result)
    assert bool(study.toilets) == told
    blurred = sum(left.n_events for left in study.left_out if "several uses" in left.reason)
    assert (blurred > 0) == (not told)


def test_where_hands_are_always_washed_those_that_stand_alone_are_no_better():
    # Washed right after each flush: of every other one the water could not be told apart, and stands alone with it.
    rng = np.random.default_rng(5)
    flow, uses = np.zeros(10 * 86_400), []
    for k, start in enumerate(np.sort(rng.choice(np.arange(600, flow.size - 600, 600), 120, replace=False)).tolist()):
        refilled, washed = start + 45, start + 55
        flow[start:refilled] = 6.0 / 45 * rng.normal(1.0, 0.01)
        flow[refilled:washed] = rng.uniform(0.3, 0.5) / 10
        uses += [(start, washed if k % 2 else refilled, "flush")] + [(refilled, washed, "faucet")] * (1 - k % 2)
    volume = np.diff(np.floor(np.concatenate([[0.0], np.cumsum(flow)]) / 0.02 + 1e-9)) * 0.02
    origin = pd.Timestamp("2024-06-03T00:00Z")
    trace = fs.Trace.from_volumes(origin + pd.to_timedelta(np.arange(flow.size), unit="s"), volume, pulse_l=0.02)
    table = pd.DataFrame(uses, columns=["start", "end", "label"])
    (toilet,) = flushes(
        from_uses(trace, table.assign(**{c: origin + pd.to_timedelta(table[c], unit="s") for c in ("start", "end")})),
        meter="exact",
    ).toilets
    assert toilet.full.low_l < 6.0 < toilet.full.high_l
    assert toilet.full.high_l > 6.3


def coarse_home(toilets, **options):
    """A home at 10 s and 0.4 L a pulse, where hands are washed half a minute after a flush."""
    return flushing_home(toilets, interval_s=10, pulse_l=0.4, days=20, mixed_after_s=25, **options)


def test_hands_washed_at_ten_seconds_are_no_full_flush():
    study = flushes(coarse_home([(4.8, 8.0)], mixed=0.6, seed=3))
    (toilet,) = study.toilets
    assert "1.28 gpf" in str(toilet.classes)
    assert toilet.full.low_l < 4.8 < toilet.full.high_l
    assert any("isn't told" in limit for limit in study.limits)


def test_a_short_reduced_flush_is_not_another_toilet_for_its_flow_reads_low():
    # 3.2 L at 15 L/min last 13 s: at most one whole interval, so that their own flow can't be read.
    study = flushes(coarse_home([(6.0, 15.0, 3.2)], mixed=0.1, seed=4))
    (toilet,) = study.toilets
    assert toilet.reduced is not None
    assert toilet.reduced.low_l < 3.2 < toilet.reduced.high_l
    assert toilet.full.low_l < 6.0 < toilet.full.high_l


def test_a_refill_too_short_to_fill_a_cell_shows_its_flow_in_its_fullest_one():
    # 4.4 L at 15 L/min last 18 s: two or three cells at 10 s, whose mean flow is 13 L/min or less.
    refills = refills_of(coarse_home([(4.4, 15.0)], mixed=0.0, seed=11), "flush")
    two = refills.end_s - refills.start_s <= 20.0
    assert two.sum() > 10
    assert np.median(refills.flow_lpm[two]) == pytest.approx(15.0, rel=0.1)
    assert (refills.flow_error < 0.2).all()
    assert np.abs(np.log(refills.flow_lpm / 15.0)).max() < 3.0 * refills.flow_error.max()


def test_a_fast_toilet_is_not_a_slow_one_of_like_volume_at_ten_seconds():
    study = flushes(coarse_home([(4.4, 15.0), (4.6, 8.4)], mixed=0.1, seed=12))
    assert sorted(t.refill_lpm for t in study.toilets) == pytest.approx([8.4, 15.0], rel=0.08)


def test_a_seldom_used_toilet_is_told_at_ten_seconds_where_it_is_distinct():
    study = flushes(coarse_home([(6.0, 8.0)] * 9 + [(12.5, 10.0)], mixed=0.1, per_day=1, seed=13))
    assert [t.full.volume_l for t in study.toilets] == pytest.approx([12.5, 6.0], rel=0.05)


def test_the_odds_of_a_toilet_fall_with_a_smaller_share_less_certainty_and_bursts():
    mine = refills_of(flushing_home([(6.0, 8.0)]), "flush")
    n = len(mine)
    mine = replace(mine, probability=np.full(n, 0.85))
    assert is_toilet(signs(mine, n_refills=4 * n))
    assert not is_toilet(signs(mine, n_refills=40 * n))
    unsure = replace(mine, probability=np.full(n, 0.05))
    assert not is_toilet(signs(unsure, n_refills=4 * n))
    start_s = np.repeat(np.arange(n // 2) * 86_400.0, 2) + np.tile([0.0, 600.0], n // 2)
    bursts = replace(mine, start_s=start_s, end_s=start_s + 60.0)
    assert in_bursts(bursts.start_s, bursts.end_s) == 0.5 * n / (n - 1)
    assert not is_toilet(signs(bursts, n_refills=4 * n))


def test_what_may_be_a_reduced_flush_has_no_class_at_ten_seconds():
    # 3.6 L all the time may be the reduced flush of a dual one whose full flush is seldom, 4.9 L not.
    small, usual = (flushes(coarse_home([(litres, 8.0)], mixed=0.1, seed=7)).toilets[0] for litres in (3.6, 4.7))
    assert str(small.classes) == "1.28 gpf or 1.6 gpf"
    assert str(usual.classes) == "1.28 gpf"
    finely = flushes(flushing_home([(3.6, 8.0)])).toilets[0]
    assert str(finely.classes) == "1.28 gpf"


@pytest.mark.parametrize("seed", [9, 10])
def test_refills_of_a_faster_toilet_are_not_those_of_another_with_hands_washed(seed):
    # A litre more at 10 s, and a third more flow: hands are not washed before so fast a tank is half full.
    study = flushes(coarse_home([(6.3, 10.5), (5.1, 7.5)], mixed=0.4, seed=seed))
    assert [t.full.volume_l for t in study.toilets] == pytest.approx([6.3, 5.1], rel=0.06)
    assert [t.refill_lpm for t in study.toilets] == pytest.approx([10.5, 7.5], rel=0.08)


def test_shapes_tell_refills_alone_from_those_with_other_water():
    alone, washed = (refills_of(coarse_home([(9.0, 8.0)], mixed=mixed, seed=5), "flush").shape for mixed in (0.0, 1.0))
    assert (alone.clean > alone.mixed).mean() > 0.7
    assert (washed.clean > washed.mixed).mean() < (alone.clean > alone.mixed).mean() - 0.2
    at_1_s = refills_of(flushing_home([(9.0, 8.0)]), "flush").shape
    assert not at_1_s.clean.any()
    assert not at_1_s.mixed.any()


def test_pieces_of_one_use_may_lie_in_one_cell():
    trace = fs.Trace.from_volumes(np.arange(60) * 60, np.where(np.arange(60) == 30, 6.0, 0.0), 0.1)
    one = np.zeros(4, dtype=np.int64)
    result = assemble(
        trace,
        start_cell=np.array([30]),
        end_cell=np.array([31]),
        label=["flush"],
        probability=np.array([0.9]),
        fixture=["toilet-1"],
        cycle=np.array([-1]),
        shares=Shares(event=one, flow=one, volume_l=np.full(4, 1.5)),
    )
    assert refills_of(result, "flush").flow_lpm.tolist() == pytest.approx([6.0])


def test_events_are_described_alike_whichever_are_asked_for():
    result = coarse_home([(6.0, 6.0), (4.8, 8.0)])
    events = result.events.assign(label=np.where(np.arange(len(result.events)) % 3 == 1, "faucet", "flush"))
    several = from_uses(result.trace, events[["start", "end", "label"]])
    some, every = refills_of(several, "faucet"), refills_of(several, "faucet", "flush")
    assert 0 < len(some) < len(every)
    same = every.at_rows(some.row)
    for name in ("flow_lpm", "flow_error", "trickle_l", "isolated"):
        assert getattr(some, name).tolist() == getattr(same, name).tolist()
    assert some.shape.clean.any()
    assert some.shape.clean.tolist() == same.shape.clean.tolist()


def test_uses_in_pieces_are_studied_as_whole_ones():
    result = coarse_home([(6.0, 6.0), (4.8, 8.0)])
    whole = result.shares
    twice = Shares(
        event=np.repeat(whole.event, 2), flow=np.repeat(whole.flow, 2), volume_l=np.repeat(whole.volume_l / 2, 2)
    )
    pieces = replace(result, shares=twice)
    for name in ("clean", "mixed"):
        odds, of_whole = (getattr(refills_of(each, "flush").shape, name) for each in (pieces, result))
        assert odds.tolist() == of_whole.tolist()
    assert [t.full.volume_l for t in flushes(pieces).toilets] == [t.full.volume_l for t in flushes(result).toilets]
