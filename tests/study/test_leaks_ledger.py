"""The leak ledger: one line a loss, figures of common practice, a total that closes."""

import numpy as np
import pandas as pd
import pytest
from tests.study.answers import answer, home_uses

import flowsift as fs
from flowsift import study
from flowsift.households import leak_home, read_shipped
from flowsift.study.leaks_ledger import LINE_COLUMNS, leaks
from flowsift.study.leaks_zones import rise, timed_runs
from flowsift.study.tariff import example_tariff_text, parsed_tariff
from flowsift.units import L_PER_GAL

TARIFF = parsed_tariff(example_tariff_text())


def closes(ledger):
    assert ledger.losses_l + ledger.uses_l + ledger.unexplained_l == pytest.approx(ledger.metered_l, rel=1e-9)
    assert sum(line.volume_l for line in ledger.lines) == pytest.approx(ledger.losses_l, rel=1e-12, abs=1e-12)
    table = ledger.balance_table()
    assert table["volume_l"].iloc[:-1].sum() == pytest.approx(table["volume_l"].iloc[-1], rel=1e-9)
    return True


def test_028_gpm_is_403_gallons_a_day():
    ledger = leaks(answer(7, uses=home_uses(7), trickle=[(2, 7, 0.28 * L_PER_GAL)]), TARIFF)
    assert closes(ledger)
    (line,) = ledger.lines
    assert line.kind == "constant trickle"
    assert line.per_day_l / L_PER_GAL == pytest.approx(403.2)
    assert line.per_year_l / L_PER_GAL == pytest.approx(403.2 * 365)
    assert line.since == pd.Timestamp("2024-06-05", tz="UTC")
    assert line.ongoing
    assert line.sure == "firm"
    assert line.where[0].startswith("toilets")
    assert line.volume_l == pytest.approx(5 * 1440 * 0.28 * L_PER_GAL)
    assert line.cost_per_year == pytest.approx(ledger.cost_per_year)
    assert ledger.cost_per_year > 0


def test_a_leak_that_ended_costs_nothing_more():
    ledger = leaks(answer(7, uses=home_uses(7), trickle=[(0, 3, 0.5)]), TARIFF)
    (line,) = ledger.lines
    assert not line.ongoing
    assert line.until == pd.Timestamp("2024-06-06", tz="UTC")
    assert ledger.per_day_l == ledger.per_year_l == ledger.cost_per_year == line.per_year_l == 0.0


def test_spans_with_a_short_break_are_one_leak_and_far_ones_two():
    assert len(leaks(answer(7, trickle=[(0, 2, 0.5), (2.2, 7, 0.5)])).lines) == 1
    assert len(leaks(answer(7, trickle=[(0, 2, 0.5), (4, 7, 0.5)])).lines) == 2
    grown = leaks(answer(7, trickle=[(0, 2, 0.5), (2, 7, 1.0)])).lines[0]
    assert grown.rate_lpm == 1.0
    assert "grew to 2.0 times its first rate by 2024-06-05 00:00" in grown.reason
    fallen = leaks(answer(7, trickle=[(0, 2, 0.5), (2, 5.5, 0.16), (5.6, 7, 0.16)])).lines[0]
    assert fallen.rate_lpm == 0.16
    assert "fell to 32 % of its first rate by 2024-06-05 00:00" in fallen.reason


def test_refills_a_hose_left_on_and_a_raised_zone_have_their_lines():
    uses = home_uses(14)
    uses += [(d, 30 * k, 1, 1.5, "toilet_leak", "toilet-2") for d in range(14) for k in range(12)]
    uses += [(5, 1200, 600, 15.0, "hose", "hose-1")]
    uses += [(d, 300, 20, 40.0 if d < 8 else 55.0, "irrigation", "zone-1") for d in range(14)]
    uses += [(d, 330, 20, 30.0, "irrigation", "zone-2") for d in range(14)]
    ledger = leaks(answer(14, uses=uses), TARIFF)
    assert closes(ledger)
    by_kind = {line.kind: line for line in ledger.lines}
    assert set(by_kind) == {"toilet refills", "left running", "zone above its history"}
    refills = by_kind["toilet refills"]
    assert refills.fixture == "toilet-2"
    assert refills.per_day_l == pytest.approx(18.0, rel=0.05)
    assert refills.low_per_day_l < 18.0 < refills.high_per_day_l
    zone = by_kind["zone above its history"]
    assert (zone.fixture, zone.since.day) == ("zone-1", 11)
    assert zone.low_lpm < 15.0 < zone.high_lpm
    assert zone.volume_l == pytest.approx(6 * 20 * 15.0, rel=1e-6)
    left = by_kind["left running"]
    assert 0 < left.volume_l < 600 * 15.0
    assert left.per_year_l == 0.0
    costs = [line.cost_per_year for line in ledger.lines]
    assert sum(costs) == pytest.approx(ledger.cost_per_year)


def test_a_zone_that_only_wanders_is_no_line():
    rng = np.random.default_rng(3)
    assert rise(40.0 * (1 + 0.03 * rng.normal(size=40))) is None
    assert rise(np.full(3, 40.0)) is None
    assert rise(np.array([40.0] * 6 + [60.0] + [40.0] * 6)) is None
    assert rise(np.array([40.0] * 6 + [50.0] * 4)) == 6
    assert rise(np.array([50.0] * 6 + [40.0] * 4)) is None


def test_a_zone_is_known_by_its_clock_and_not_by_its_name():
    uses = home_uses(16) + [
        (
            d,
            300,
            20,
            40.0 if d < 10 else 55.0,
            "irrigation" if d != 4 else "pool_fill",
            "zone-1" if d < 10 else "zone-4",
        )
        for d in range(0, 16, 2)
    ]
    (line,) = leaks(answer(16, uses=uses)).lines
    assert (line.kind, line.fixture, line.since.day, line.ongoing) == ("zone above its history", "zone-1", 13, True)
    assert "05:00" in line.reason


def test_runs_of_one_timer_are_one_group_over_midnight_too():
    clock = np.array([86_300.0, 100.0, 40_000.0, 86_350.0, 60.0])
    length = np.array([1200.0, 1210.0, 1200.0, 600.0, 1190.0])
    assert timed_runs(clock, length, slack_s=20.0).tolist() == [0, 0, 1, 2, 0]
    assert timed_runs(np.empty(0), np.empty(0), slack_s=20.0).size == 0


def test_a_leak_that_began_midway_is_priced_as_a_whole_year_of_it():
    block = parsed_tariff('currency = "EUR"\nunit = "L"\n[[blocks]]\nup_to = 3000\nprice = 1\n[[blocks]]\nprice = 2\n')
    ledger = leaks(answer(10, trickle=[(5, 10, 1.0)]), block)
    # 1440 L a day for a month are 43,800 L, of which 3,000 at 1 and the rest at 2: nothing else is used.
    assert ledger.cost_per_year == pytest.approx(12 * (3000 + 2 * (1440 * 365 / 12 - 3000)))


def test_a_fill_of_nine_hours_may_be_a_hose_left_on():
    (line,) = leaks(answer(7, uses=[*home_uses(7), (3, 780, 540, 9.0, "pool_fill", "pool-fill-1")])).lines
    assert (line.kind, line.sure) == ("left running", "weak")
    assert "unless a pool was filled" in line.reason


@pytest.mark.parametrize(
    ("label", "minutes", "lpm"), [("irrigation", 1800, 50.0), ("irrigation", 300, 27.0), ("pool_fill", 150, 40.0)]
)
def test_what_came_once_and_took_most_of_the_water_may_be_a_burst(label, minutes, lpm):
    result = answer(14, uses=[*home_uses(14), (6, 190, minutes, lpm, label, f"{label}-1")])
    ledger = leaks(result)
    assert closes(ledger)
    (line,) = ledger.lines
    assert (line.kind, line.sure, line.volume_l) == ("left running", "weak", pytest.approx(minutes * lpm))
    share = minutes * lpm / result.balance.metered_l
    assert (
        line.reason == f"came once, {100 * share:.0f} % of all water: a watering zone, a pool being filled, or a burst"
    )


def test_a_large_use_that_has_its_like_or_takes_little_is_no_burst():
    zones = [(day, 300, 150, 40.0, "irrigation", "zone-1") for day in (2, 6, 10)]
    assert leaks(answer(14, uses=[*home_uses(14), *zones])).lines == ()
    bath = (5, 1200, 20, 14.0, "bathtub", "bathtub-1")
    assert leaks(answer(14, uses=[*home_uses(14), bath])).lines == ()
    stuck = [(day, 300, 20, 40.0, "irrigation", "zone-1") for day in range(1, 6)]
    (line,) = leaks(answer(14, uses=[*home_uses(14), *stuck, (6, 300, 900, 40.0, "irrigation", "zone-1")])).lines
    assert (line.kind, line.since.day) == ("left running", 9)


def test_two_odd_refills_are_no_line():
    uses = [*home_uses(7), (2, 200, 1, 1.5, "toilet_leak", "toilet-1"), (5, 900, 1, 1.5, "toilet_leak", "toilet-1")]
    assert leaks(answer(7, uses=uses)).lines == ()


def test_nothing_found_is_an_empty_table_with_the_same_columns():
    ledger = leaks(answer(3, uses=home_uses(3)))
    full = leaks(answer(3, trickle=[(0, 3, 1.0)]))
    assert ledger.lines == ()
    assert closes(ledger)
    assert tuple(ledger.table().columns) == tuple(full.table().columns) == LINE_COLUMNS
    assert ledger.table().dtypes.drop(["since", "until"]).equals(full.table().dtypes.drop(["since", "until"]))
    assert ledger.cost_per_year is None
    assert np.isnan(full.lines[0].cost_per_year)
    assert "per_day_gal" in full.table().in_us_units()


def test_a_made_up_home_with_a_known_leak():
    household = leak_home(11, rate_lpm=0.2, days=6, from_day=2.0)
    ledger = study.leaks(fs.disaggregate(household.trace))
    assert closes(ledger)
    line = next(line for line in ledger.lines if line.kind == "constant trickle")
    assert line.rate_lpm == pytest.approx(0.2, rel=0.05)
    assert abs((line.since - pd.Timestamp("2024-06-05", tz="UTC")).total_seconds()) < 3 * 3600


def test_a_tight_home_loses_nothing_all_day():
    household = leak_home(12, rate_lpm=0.0, days=5)
    ledger = leaks(fs.disaggregate(household.trace))
    assert not [line for line in ledger.lines if line.kind == "constant trickle"]


def test_the_shipped_repair():
    result = fs.disaggregate(read_shipped("repaired").trace)
    ledger = leaks(result)
    assert closes(ledger)
    line = next(line for line in ledger.lines if line.kind == "constant trickle")
    assert not line.ongoing
    assert line.until.strftime("%m-%d") == "04-15"
