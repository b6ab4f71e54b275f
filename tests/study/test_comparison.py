"""Before and after: changes with honest intervals, savings, payback and a verdict."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from tests.study.answers import answer, home_uses

from flowsift.errors import NotEnoughDataError, OptionError
from flowsift.labels import PARTS
from flowsift.report.comparison_text import comparison_sections
from flowsift.study.comparison import compare, compare_at
from flowsift.study.comparison_days import mean_draws, strata
from flowsift.study.daily_volumes import daily_volumes
from flowsift.study.tariff import parsed_tariff

TARIFF = parsed_tariff('currency = "EUR"\nunit = "m3"\n[[blocks]]\nprice = 4.0\n')


def test_a_repair_that_held():
    result = answer(28, uses=home_uses(28), trickle=[(0, 14, 0.3)])
    found = compare_at(result, "2024-06-17", tariff=TARIFF, cost=100.0)
    assert (found.days_before, found.days_after) == (14, 13)
    assert found.verdict == "held"
    assert found.saving.per_day_l == pytest.approx(0.3 * 1440)
    assert found.saving.low_per_day_l - 1e-6 <= 432.0 <= found.saving.high_per_day_l + 1e-6
    assert found.saving.per_year_l == pytest.approx(432 * 365)
    assert found.saving.per_month_l == pytest.approx(432 * 365 / 12)
    assert found.saving.money_per_year == pytest.approx(432 * 365 / 1000 * 4.0)
    assert found.payback_years == pytest.approx(100.0 / (432 * 365 / 1000 * 4.0))
    assert found.trickle_before.rate_lpm == pytest.approx(0.3)
    assert found.trickle_before.running == pytest.approx(1.0)
    assert found.trickle_after.running == 0.0
    assert found.whole.low_l < -432 < found.whole.high_l
    parts = sum(change.change_l for change in found.labels)
    assert parts == pytest.approx(found.whole.change_l)


@pytest.mark.parametrize(
    ("trickle", "verdict"),
    [
        ([(0, 14, 0.3), (14, 28, 0.12)], "partly"),
        ([(0, 28, 0.3)], "little changed"),
        ([(0, 14, 0.3), (24, 28, 0.3)], "came back"),
        ([(14, 28, 0.3)], "lost more"),
        ([(0, 14, 0.1), (14, 28, 0.3)], "lost more"),
        ([], "nothing to compare"),
    ],
)
def test_verdicts(trickle, verdict):
    assert compare_at(answer(28, uses=home_uses(28), trickle=trickle), "2024-06-17").verdict == verdict


def test_a_loss_that_began_is_no_negative_saving():
    found = compare_at(answer(28, uses=home_uses(28), trickle=[(14, 28, 0.3)]), "2024-06-17", tariff=TARIFF)
    said = " ".join(line for s in comparison_sections(found, units="si") for line in s.lines)
    assert "it loses more than before" in said
    assert "of the losses: nothing, it took more: 432 L a day" in said
    assert "-432" not in said


def test_two_files_give_the_same_as_one_split():
    whole = compare_at(answer(28, uses=home_uses(28), trickle=[(0, 14, 0.3)]), "2024-06-17")
    before = answer(14, uses=home_uses(28)[: sum(u[0] < 14 for u in home_uses(28))], trickle=[(0, 14, 0.3)])
    later = [(d - 15, *rest) for d, *rest in home_uses(28) if d >= 15]
    after = answer(13, uses=later, start="2024-06-18T00:00Z")
    both = compare(before, after)
    assert both.whole == whole.whole
    assert both.verdict == whole.verdict


def test_the_time_without_data_is_not_time_without_a_trickle():
    result = answer(28, trickle=[(0, 10, 0.3)])
    days_12_and_13 = np.array([[11 * 1440, 13 * 1440]])
    gappy = replace(result, trace=replace(result.trace, gaps=days_12_and_13, gap_volume_l=np.zeros(1)))
    assert compare_at(gappy, "2024-06-17").trickle_before.running == pytest.approx(10 / 12)


def test_no_saving_never_pays_back_and_without_a_tariff_there_is_no_money():
    result = answer(14, uses=home_uses(14), trickle=[(7, 14, 0.3)])
    found = compare_at(result, "2024-06-10", tariff=TARIFF, cost=50.0)
    assert found.saving.per_day_l < 0
    assert found.payback_years == float("inf")
    assert compare_at(result, "2024-06-10").saving.money_per_year is None


@pytest.mark.parametrize(
    ("at", "days"), [("2024-06-10", (7, 7)), ("2024-06-10 11:00", (7, 7)), ("2024-06-10T18:00-06:00", (8, 6))]
)
def test_the_day_of_the_repair_counts_on_neither_side(at, days):
    stopped = 7 + 11 / 24  # at 11:00 on the eighth day
    found = compare_at(answer(15, uses=home_uses(15), trickle=[(0, stopped, 0.3)]), at)
    assert (found.days_before, found.days_after) == days
    assert found.losses.after_l == found.trickle_after.running == 0.0


@pytest.mark.parametrize(
    ("zone", "date", "days"), [("America/Santiago", "2024-09-08", (5, 5)), ("America/Havana", "2024-11-03", (5, 4))]
)
def test_a_repair_on_a_day_whose_midnight_is_skipped_or_comes_twice(zone, date, days):
    # Eleven times 24 hours: a day of 25 hours cuts the last one short.
    start = (pd.Timestamp(date) - pd.Timedelta("5D")).tz_localize(zone)
    found = compare_at(answer(11, uses=home_uses(11), start=start, timezone=zone), date)
    assert (found.days_before, found.days_after) == days


def test_intervals_cover_the_truth_as_often_as_they_say():
    # The same home on both sides: the true change is zero.
    inside = 0
    for seed in range(60):
        result = answer(28, uses=home_uses(28, seed=seed))
        found = compare_at(result, "2024-06-17", n_resamples=400, random_state=seed)
        inside += found.whole.low_l <= 0.0 <= found.whole.high_l
    assert inside >= 47  # 90 % of 60 is 54; fewer than 47 has a chance below 1 in 300


def test_weekdays_weigh_as_in_a_week():
    # Nine days from a Monday: 7 working days, 2 weekend days with 100 L more each.
    uses = [(d, 600, 10, 10.0 + (10.0 if d in (5, 6) else 0.0), "shower", "shower-1") for d in range(9)]
    days = daily_volumes(answer(9, uses=uses))
    mean, draws, notes = mean_draws(days, n_resamples=50, rng=np.random.default_rng(0))
    assert mean[PARTS.index("shower")] == pytest.approx(100 * 5 / 7 + 200 * 2 / 7)
    assert draws.shape == (50, len(PARTS))
    assert notes == []


def test_irrigation_days_are_strata_of_their_own():
    uses = [(d, 300, 20, 40.0, "irrigation", "zone-1") for d in range(0, 14, 2)]
    members, weight, _ = strata(daily_volumes(answer(14, uses=uses)))
    assert len(members) == 4 or len(members) == 3
    assert weight.sum() == pytest.approx(1.0)
    assert sorted(np.concatenate(members).tolist()) == list(range(14))


def test_few_days_are_noted_or_refused():
    found = compare_at(answer(8, uses=home_uses(8)), "2024-06-07")
    assert any("weekends" in note for note in found.notes)
    with pytest.raises(NotEnoughDataError, match="2 complete days before"):
        compare_at(answer(10, uses=home_uses(10)), "2024-06-05")
    with pytest.raises(OptionError, match="n_resamples is 0"):
        compare_at(answer(14, uses=home_uses(14)), "2024-06-10", n_resamples=0)


@pytest.mark.parametrize("at", ["soon", "2020-01-01", "2030-01-01"])
def test_a_moment_outside_is_refused(at):
    with pytest.raises(OptionError, match="at is"):
        compare_at(answer(10, uses=home_uses(10)), at)


def test_same_seed_same_answer():
    result = answer(14, uses=home_uses(14))
    assert compare_at(result, "2024-06-10", random_state=1) == compare_at(result, "2024-06-10", random_state=1)


def test_days_are_local_and_add_up():
    result = answer(4, uses=home_uses(4), trickle=[(0, 4, 0.1)], start="2024-11-02T06:00Z", timezone="America/Denver")
    days = daily_volumes(result)
    assert days.total_l.sum() == pytest.approx(result.trace.metered_l)
    assert [str(d.date()) for d in days.dates] == ["2024-11-02", "2024-11-03", "2024-11-04", "2024-11-05"]
    # The clocks go back on 3 November: that day has 25 hours, and the fourth is cut short by one.
    assert days.complete.tolist() == [True, True, True, False]
    assert days.table()["total_l"].sum() == pytest.approx(result.trace.metered_l)
