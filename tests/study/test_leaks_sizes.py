"""Drips and holes against the published tables; keys are those of the records, which name the sources."""

import pytest

from flowsift.errors import OptionError
from flowsift.standards import figure
from flowsift.standards.conversion import MM_PER_IN
from flowsift.study.leaks_sizes import KPA_PER_PSI, drip_lpm, drips_per_min, hole_lpm, hole_mm
from flowsift.units import L_PER_GAL


@pytest.mark.parametrize(
    ("key", "drips"),
    [
        ("leak.drips_80_a_minute.awwa_drip_2006", 80),
        ("leak.drips_80_a_minute.azusa_statistics", 80),
        ("leak.60_drips_min_more_than", 60),
        ("leak.10_drips_min_more_than", 10),
        ("leak.6_drips_min_more_than", 6),
    ],
)
def test_published_drip_tables_lie_in_the_range(key, drips):
    # Drops of 0.36 to 0.38 mL are behind the largest of these, a little above the 0.333 mL of sink faucets.
    low, usual, high = drip_lpm(drips)
    assert low < usual < high
    assert low <= figure(key).value_lpm <= 1.15 * high


def test_the_usual_drop_is_that_of_the_conversion():
    per_gallon = figure("leak.drips_per_gallon.usgs_drip_reprint").value
    assert drip_lpm(60)[1] == pytest.approx(60 * L_PER_GAL / per_gallon, rel=1e-3)
    assert drip_lpm(60)[1] == pytest.approx(60 / figure("leak.drips_per_litre").value, rel=1e-12)
    # "10 drips/min at 15140 drips/gal: 347 gal/yr", online example.
    assert drip_lpm(10)[1] * 1440 * 365 / L_PER_GAL == pytest.approx(347, abs=1.0)


@pytest.mark.parametrize("drips", [-1, 301])
def test_a_stream_is_no_drip(drips):
    with pytest.raises(OptionError, match="stream"):
        drip_lpm(drips)


@pytest.mark.parametrize(
    ("inches", "key", "discharge"),
    [
        (1 / 16, "leak.hole_1_16_in_at_60_psi", 0.61),
        (1 / 8, "leak.hole_1_8_in_at_60_psi", 0.61),
        (1 / 4, "leak.hole_1_4_in_at_60_psi", 0.61),
        (1 / 16, "leak.hole_1_16_in_three_months.north_marshall", 0.63),
        (1 / 8, "leak.hole_1_8_in_three_months.north_marshall", 0.63),
        (1 / 4, "leak.hole_1_4_in_three_months.north_marshall", 0.63),
    ],
)
def test_published_hole_tables(inches, key, discharge):
    rate = hole_lpm(inches * MM_PER_IN, pressure_kpa=60 * KPA_PER_PSI, discharge=discharge)
    assert figure(key).value_lpm == pytest.approx(rate, rel=0.06)


def test_a_hole_and_its_flow_are_inverse():
    assert hole_mm(hole_lpm(1.7)) == pytest.approx(1.7, rel=1e-12)
    assert hole_lpm(2.0) == pytest.approx(4 * hole_lpm(1.0), rel=1e-12)
    assert hole_lpm(1.0, pressure_kpa=400.0) == pytest.approx(2 * hole_lpm(1.0, pressure_kpa=100.0), rel=1e-12)


def test_drops_a_minute_are_told_back_from_their_flow_until_they_are_a_stream():
    assert drips_per_min(drip_lpm(60)[1]) == pytest.approx(60, rel=1e-12)
    assert drips_per_min(drip_lpm(300)[1] * 1.01) is None
    with pytest.raises(OptionError):
        drips_per_min(-0.1)
