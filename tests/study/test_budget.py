"""The budget: demand, greywater by the codes, landscape formulas against printed results, storage day by day."""

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.study.answers import answer, home_uses

from flowsift.errors import InputError, NotEnoughDataError, OptionError
from flowsift.standards import figure
from flowsift.standards.conversion import MM_PER_IN
from flowsift.study.budget import water_budget
from flowsift.study.budget_greywater import code_greywater_l
from flowsift.study.budget_landscape import (
    M2_PER_FT2,
    Landscape,
    applied_water_allowance_gal,
    parsed_eto,
    read_eto,
)
from flowsift.study.budget_storage import (
    served_share,
    steady_need_l,
    storage_for_reliability_l,
    storage_for_yield_l,
)
from flowsift.units import L_PER_GAL


def test_printed_water_allowances():
    # landscape.mawa_worked: ETo 51.1 in, 50,000 ft2, ETAF 0.7, no special area: 1,108,870 gal a year.
    etaf = figure("landscape.etaf_earlier_text").value
    plain = applied_water_allowance_gal(eto_in=51.1, area_ft2=50_000, adjustment=etaf)
    assert plain == pytest.approx(figure("landscape.mawa_worked").value, abs=0.5)
    # landscape.mawa_worked_with_special_area: the printed 1,127,808 rounds 51.1 x 0.62 to 31.68; exactly 1,127,879.
    special = applied_water_allowance_gal(eto_in=51.1, area_ft2=50_000, adjustment=etaf, special_ft2=2000)
    assert special == pytest.approx(1_127_879, abs=0.5)
    assert special == pytest.approx(figure("landscape.mawa_worked_with_special_area").value, rel=1e-4)


def test_the_need_in_litres_is_the_printed_formula_with_the_exact_factor():
    landscape = Landscape(
        area_m2=1000 * M2_PER_FT2, plant_factor=0.5, efficiency=0.81, eto_mm_per_d=parsed_eto("51.1in/yr")
    )
    # landscape.estimated_use_equation: ETo 0.62 (PF HA / IE + SLA), no special area.
    gallons = 51.1 * 0.62 * (0.5 * 1000 / 0.81)
    exact = figure("unit.inch_on_square_foot").value / 0.62
    assert landscape.per_year_l / L_PER_GAL == pytest.approx(gallons * exact, rel=1e-5)
    year = pd.date_range("2023-01-01", "2023-12-31", tz="UTC")
    assert landscape.need_l(year).sum() == pytest.approx(landscape.per_year_l, rel=1e-3)
    assert landscape.eto_in_per_year == pytest.approx(51.1)


def test_evapotranspiration_is_read_with_its_unit(tmp_path):
    assert parsed_eto("5.2mm/day") == (5.2,) * 12
    assert parsed_eto("51.1 in/yr")[0] * 365.25 / MM_PER_IN == pytest.approx(51.1)
    assert parsed_eto("6in/month")[0] * 365.25 / 12 / MM_PER_IN == pytest.approx(6.0)
    path = tmp_path / "eto.csv"
    path.write_text("month,eto_in\n" + "".join(f"{m},{m}\n" for m in range(1, 13)), encoding="utf-8")
    assert read_eto(path)[2] == pytest.approx(3 * MM_PER_IN / 31)
    for text, match in [
        ("month,eto_in\n1,2\n", "1 months"),
        ("month,rain\n1,2\n", "eto_mm"),
        ("month,eto_mm\n1,wet\n", "row 2, .*'wet'"),
        ("month,eto_mm\n\n1,2\n\n2,wet\n", "row 5, .*'wet'"),
        ("month,eto_mm\n1,2\n1,2\n", "once"),
    ]:
        path.write_text(text, encoding="utf-8")
        with pytest.raises(InputError, match=match):
            read_eto(path)
    for bad in ("5", "5mm", "-5mm/day", "1.2.3mm/day"):
        with pytest.raises(OptionError, match="evapotranspiration"):
            parsed_eto(bad)


def test_a_burst_is_no_demand():
    quiet, burst = home_uses(14), (6, 190, 1800, 50.0, "irrigation", "zone-1")
    without, with_burst = (
        {d.name: d for d in water_budget(answer(14, uses=u)).demand} for u in (quiet, [*quiet, burst])
    )
    assert with_burst["all"].mean_l > 20 * without["all"].mean_l
    for name in ("without losses", "without outdoor use", "without both"):
        assert with_burst[name].mean_l == pytest.approx(without[name].mean_l, rel=1e-9)


@pytest.mark.parametrize(
    "wrong", [{"area_m2": 0.0}, {"efficiency": 1.2}, {"plant_factor": -1.0}, {"eto_mm_per_d": (5.0,)}]
)
def test_a_landscape_that_cannot_be_is_refused(wrong):
    sound = {"area_m2": 50.0, "plant_factor": 0.5, "efficiency": 0.8, "eto_mm_per_d": (5.0,) * 12}
    with pytest.raises(OptionError):
        Landscape(**(sound | wrong))


def test_published_greywater_by_bedrooms():
    # California Plumbing Code 1503.8.1: three bedrooms are four persons: 4 x 25 and 4 x 15 gal a day.
    estimate = code_greywater_l(3)
    assert estimate["showers, tubs, lavatories"][0] == pytest.approx(100 * L_PER_GAL)
    assert estimate["laundry"][0] == pytest.approx(60 * L_PER_GAL)


def budget_of(days=14, **options):
    uses = home_uses(days)
    uses += [(d, 700, 5, 6.0, "faucet", "faucet-1") for d in range(days)]
    uses += [(d, 800, 6, 10.0, "clothes_washer", "clothes-washer-1") for d in range(0, days, 2)]
    uses += [(d, 300, 20, 40.0, "irrigation", "zone-1") for d in range(0, days, 3)]
    return water_budget(answer(days, uses=uses, trickle=[(0, days, 0.1)]), **options)


def test_demand_with_and_without():
    budget = budget_of()
    all_, tight, indoors, neither = budget.demand
    assert all_.mean_l - tight.mean_l == pytest.approx(144.0)
    assert all_.mean_l - indoors.mean_l == pytest.approx(800 * 5 / 14)
    assert all_.mean_l - neither.mean_l == pytest.approx(144 + 800 * 5 / 14)
    assert all(d.median_l <= d.high_l <= d.peak_l for d in budget.demand)
    assert budget.demand_table().in_us_units()["mean_gal"].iloc[0] == pytest.approx(all_.mean_l / L_PER_GAL)


def test_greywater_counts_what_the_codes_allow():
    sources = {s.source: s.mean_l for s in budget_of(lavatory_share=0.4).greywater}
    assert set(sources) == {"shower", "bathtub", "clothes washer", "lavatory", "together"}
    assert sources["lavatory"] == pytest.approx(0.4 * 30)
    assert sources["clothes washer"] == pytest.approx(30.0)
    assert sum(v for k, v in sources.items() if k != "together") == pytest.approx(sources["together"])


def test_storage_against_a_landscape_and_the_codes_beside_it():
    landscape = Landscape(area_m2=40.0, plant_factor=0.5, efficiency=0.8, eto_mm_per_d=(5.0,) * 12)
    budget = budget_of(landscape=landscape, bedrooms=2)
    assert budget.need_l.mean_l == pytest.approx(125.0)
    found = [line.storage_l for line in budget.storage if not np.isnan(line.storage_l)]
    assert found == sorted(found)
    assert len(budget.published) == 2
    assert all("California Plumbing Code" in p.source for p in budget.published)
    yields = [line.storage_l for line in budget.yields]
    assert yields == sorted(yields, reverse=True)


def test_storage_by_hand():
    supply, need = np.array([10.0, 0.0] * 5), np.full(10, 5.0)
    assert served_share(supply, need, storage_l=0.0, keep_days=1) == 0.5
    assert served_share(supply, need, storage_l=5.0, keep_days=1) == 1.0
    assert served_share(supply, need, storage_l=5.0, keep_days=0) == 0.5
    assert storage_for_reliability_l(supply, need, reliability=1.0, keep_days=1) == pytest.approx(5.0, abs=1.0)
    assert storage_for_reliability_l(supply, need, reliability=0.5, keep_days=1) == 0.0
    assert storage_for_reliability_l(supply, need, reliability=1.0, keep_days=0) is None
    assert steady_need_l(supply, storage_l=5.0, reliability=1.0, keep_days=1) == pytest.approx(5.0, abs=0.2)
    weekly = np.array([0.0] * 6 + [70.0])
    assert storage_for_yield_l(weekly, yield_l=10.0, reliability=1.0) == pytest.approx(60.0, abs=1.5)
    assert storage_for_yield_l(weekly, yield_l=9.0, reliability=1.0) is None


@settings(deadline=None, max_examples=40)
@given(st.lists(st.tuples(st.floats(0, 100), st.floats(0, 100)), min_size=2, max_size=20), st.integers(0, 4))
def test_more_storage_and_longer_keeping_never_serve_less(days, keep):
    supply, need = (np.array(x) for x in zip(*days, strict=True))
    small = served_share(supply, need, storage_l=20.0, keep_days=keep)
    assert served_share(supply, need, storage_l=60.0, keep_days=keep) >= small
    assert 0.0 <= small <= 1.0


def test_short_records_and_odd_options_are_refused():
    with pytest.raises(NotEnoughDataError, match="3 complete days"):
        budget_of(days=3)
    for wrong in ({"lavatory_share": 1.5}, {"keep_days": -1}, {"bedrooms": 0}, {"reliability": 0.0}):
        with pytest.raises(OptionError):
            budget_of(**wrong)
