"""Worked examples that the sources print, recomputed from the other records and from the unit factors."""

import pytest

from flowsift.standards import dual_flush_effective_l, figure
from flowsift.units import L_PER_FT3, L_PER_GAL

GPF_35 = figure("toilet.flush_volume_made_1980_to_1994.nh_des").value
GPF_16 = figure("toilet.flush_limit_gravity_tank").value
GPF_128 = figure("toilet.flush_limit_high_efficiency.gal_per_flush").value
FLUSHES_A_YEAR = figure("toilet.flushes.reu_v2_flush").value * 365


def test_unit_factors_are_the_published_ones():
    assert figure("unit.us_gallon.gallon_table").value == L_PER_GAL
    assert figure("unit.cubic_foot.gallon_table").value == L_PER_FT3
    assert figure("unit.us_gallon.nist_units").value_l == pytest.approx(L_PER_GAL, rel=1e-12)
    assert figure("unit.cubic_foot.arithmetic").value == pytest.approx(1728 / 231, abs=5e-7)
    assert pytest.approx(1728 / 231, rel=1e-12) == L_PER_FT3 / L_PER_GAL
    assert figure("unit.hundred_cubic_feet_billing").value == pytest.approx(100 * L_PER_FT3 / L_PER_GAL, abs=0.5)
    assert figure("unit.inch_on_square_foot").value == pytest.approx(144 / 231, abs=5e-7)


def test_one_gallon_a_minute_over_a_day_and_a_month():
    gpm = L_PER_GAL
    assert figure("unit.gpm_for_a_day").value_l == pytest.approx(gpm * 1440, rel=1e-12)
    assert figure("unit.gpm_for_30_days").value_l == pytest.approx(gpm * 43_200, rel=1e-12)
    assert figure("unit.gpm_in_l_per_h").value_lpm == pytest.approx(gpm, rel=1e-6)


def test_dual_flush_average():
    # Green product directory note: 1.1 gal reduced and 1.6 gal full give 1.27 gal.
    average = dual_flush_effective_l(reduced_l=1.1 * L_PER_GAL, full_l=1.6 * L_PER_GAL)
    assert average == pytest.approx(figure("toilet.dual_flush_worked_average").value_l, abs=0.005 * L_PER_GAL)


@pytest.mark.parametrize(
    ("key", "gallons"),
    [
        ("toilet.annual_use_3_5_gpf", FLUSHES_A_YEAR * GPF_35),
        ("toilet.annual_use_1_6_gpf", FLUSHES_A_YEAR * GPF_16),
        ("toilet.saving_3_5_to_1_6_gpf", 2 * FLUSHES_A_YEAR * (GPF_35 - GPF_16)),
        ("toilet.saving_3_5_to_1_28_gpf", 2 * FLUSHES_A_YEAR * (GPF_35 - GPF_128)),
        ("toilet.saving_3_5_to_1_0_gpf", 2 * FLUSHES_A_YEAR * (GPF_35 - 1.0)),
    ],
)
def test_toilet_use_and_saving_a_year(key, gallons):
    assert figure(key).value == pytest.approx(gallons, abs=0.51)  # printed whole, halves rounded either way


def test_leaks_at_a_constant_rate():
    for rate, minutes, printed in [
        ("toilet.leaking_toilet", 30 * 1440, "toilet.leaking_toilet_30_days"),
        ("leak.common_leak_broken_service_line", 1440, "leak.service_line_a_day"),
        ("leak.common_leak_broken_service_line", 7 * 1440, "leak.service_line_a_week"),
        ("leak.common_leak_stuck_ice_maker", 30 * 1440, "leak.ice_maker_30_days"),
        ("hose.common_leak_hose_left_on", 30 * 120, "hose.hose_2_h_a_day_30_days"),
    ]:
        assert figure(rate).value_lpm * minutes == pytest.approx(figure(printed).value_l, rel=1e-12)


def test_showers():
    # 8 min at 2.5 gpm is 20.0 gal; 8 min 12 s at 2.0 gpm is 16.4 gal.
    assert figure("shower.worked_8_min_2_5_gpm").value == pytest.approx(8 * figure("shower.flow_limit_at_80_psi").value)
    limit = figure("shower.flow_limit_at_80_psi_watersense").value
    gallons = figure("shower.duration.reuws_showers").value * limit
    assert figure("shower.worked_8_min_12_s_2_0_gpm").value == pytest.approx(gallons)


def test_maximum_applied_water_allowance():
    # City of Colton: ETo 51.1 in, 50,000 ft2, adjustment factor 0.7: 51.1 * 0.62 * 35,000.
    etaf = figure("landscape.etaf_earlier_text").value
    allowance = 51.1 * 0.62 * (etaf * 50_000)
    assert figure("landscape.mawa_worked").value == pytest.approx(allowance, abs=0.5)
    ccf = figure("landscape.mawa_worked").value / figure("unit.hundred_cubic_feet_billing").value
    assert figure("landscape.mawa_worked_ccf").value == pytest.approx(ccf, abs=0.6)


def test_holes_follow_the_orifice_equation():
    # Q [gpm] = 29.84 Cd d^2 sqrt(p), d in inches, p = 60 psi: the "over 800, 3200, 13000 gal/d" table has Cd 0.62.
    factor = figure("leak.orifice_equation").value * figure("leak.discharge_coefficient_sharp_edge").value
    for inches, key in [(1 / 16, "leak.hole_1_16_in_at_60_psi_over"), (1 / 8, "leak.hole_1_8_in_at_60_psi_over")]:
        gallons_a_day = factor * inches**2 * 60**0.5 * 1440
        assert figure(key).value == pytest.approx(gallons_a_day, rel=0.02)


def test_meter_ratios():
    # R100 with Q3 2.5 m3/h: Q1 25 L/h; Q4 = 1.25 Q3 = 3.125 m3/h.
    q3_lph = 2500.0
    assert figure("meter.q1_for_q3_2_5_m3_h_and_r100").value == pytest.approx(q3_lph / 100)
    assert figure("meter.q4_for_q3_2_5_m3_h").value == pytest.approx(q3_lph / 1000 * figure("meter.q4_q3").value)
    smallest = figure("meter.new_meter_smallest_required_flow")
    assert smallest.value_lpm == pytest.approx(figure("meter.new_meter_smallest_required_flow_daily").value_lpm)
