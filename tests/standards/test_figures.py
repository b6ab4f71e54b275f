"""Records of published figures: complete, sourced, readable, and consistent with each other."""

import math

import pandas as pd
import pytest

from flowsift.errors import OptionError
from flowsift.standards import figure, figures, source
from flowsift.standards.conversion import COUNTED, TIME_S, VOLUME_L, flow_factor_lpm, time_factor_s, volume_factor_l
from flowsift.standards.figures import KINDS, read_data
from flowsift.units import L_PER_GAL

OTHER_UNITS = {
    "",
    "exponent",
    "fraction",
    "ft",
    "ft2",
    "gal/cycle/ft3",
    "gal/ft2/in",
    "gal/gal",
    "gal/min/in2/psi^0.5",
    "in",
    "percent",
    "percent of ETo",
    "probability",
    "psi",
    "ratio",
    "s/min",
}
"""Units of records that are neither a volume, a flow nor a time, nor made of what is counted."""

WITHOUT_VALUE = {"formula", "rule"}
"""Statistics of records that state an equation or a rule in their name and may carry no number."""


@pytest.mark.parametrize("name", ["figures.csv", "sources.csv"])
def test_keys_are_unique(name):
    keys = [row["key"] for row in read_data(name)]
    assert len(keys) > 100
    assert len(keys) == len(set(keys))


def test_every_figure_has_a_source_and_every_source_a_figure():
    used = {row["source"] for row in read_data("figures.csv")}
    assert used == {row["key"] for row in read_data("sources.csv")}
    for key in used:
        assert source(key).title
        assert str(source(key)).startswith(source(key).title)


def test_units_and_kinds_are_known():
    table = figures()
    words = VOLUME_L.keys() | TIME_S.keys() | COUNTED
    unknown = [unit for unit in table["unit"].unique() if not words.issuperset(unit.split("/"))]
    assert set(unknown) <= OTHER_UNITS
    assert set(table["kind"]) <= set(KINDS)


def test_values_lie_between_low_and_high():
    table = figures()
    numbered = table[~table["statistic"].isin(WITHOUT_VALUE)]
    middle = numbered["value"].fillna(numbered["low"])
    assert middle.notna().all()
    assert not (middle < numbered["low"]).any()
    assert not (middle > numbered["high"]).any()
    assert (numbered["low"].isna() == numbered["high"].isna()).all()


def test_only_links_of_public_bodies_are_kept():
    links = [row["link"] for row in read_data("sources.csv") if row["link"]]
    assert links
    assert [link for link in links if not link.startswith("http") or ".com/" in link] == []


def test_table_has_a_row_a_figure_and_can_be_changed_without_harm():
    table = figures()
    table.loc[0, "value"] = -1.0
    assert figures()["value"].iloc[0] > 0
    assert len(table) == len(read_data("figures.csv"))
    assert str(table["year"].dtype) == "Int64"
    assert pd.api.types.is_float_dtype(table["low"])


def test_unknown_keys_are_answered_with_the_known_ones():
    with pytest.raises(OptionError, match=r"toilet\.flush_limit_gravity_tank"):
        figure("toilet.flush_limit")
    with pytest.raises(OptionError, match=r"meter\."):
        figure("bidet.flow")
    with pytest.raises(OptionError, match="usc-6295"):
        source("nowhere")


def test_conversion_refuses_another_quantity():
    with pytest.raises(OptionError, match="not a unit of flow"):
        _ = figure("toilet.flush_limit_gravity_tank").value_lpm
    with pytest.raises(OptionError, match="not a unit of volume"):
        _ = figure("clothes_washer.federal_integrated_water_factor_top_load").value_l
    with pytest.raises(OptionError, match="not a unit of time"):
        _ = figure("leak.discharge_coefficient_sharp_edge").value_s


@pytest.mark.parametrize(
    ("factor", "unit", "expected"),
    [
        (volume_factor_l, "mL/drip", 1e-3),
        (volume_factor_l, "kL", 1e3),
        (volume_factor_l, "gal/flush", L_PER_GAL),
        (flow_factor_lpm, "gal/min", L_PER_GAL),
        (flow_factor_lpm, "L/h", 1 / 60),
        (flow_factor_lpm, "gal/person/d", L_PER_GAL / 1440),
        (flow_factor_lpm, "m3/3 months", 1000 / (90 * 1440)),
        (time_factor_s, "min/use", 60.0),
        (time_factor_s, "h", 3600.0),
    ],
)
def test_factors(factor, unit, expected):
    assert factor(unit) == pytest.approx(expected, rel=1e-12)


def test_ranges_convert_alike():
    tub = figure("bathtub.tub_fill.azusa_statistics")
    assert tub.range_l == pytest.approx((25 * L_PER_GAL, 30 * L_PER_GAL))
    assert math.isnan(tub.value_l)
    assert figure("shower.flow_before_1994").range_lpm == pytest.approx((3 * L_PER_GAL, 5 * L_PER_GAL))
    assert all(math.isnan(bound) for bound in figure("shower.duration.reu_v2_showers").range_s)


PRINTED_IN_BOTH_UNITS = [
    # (US, SI, digits printed in SI)
    ("toilet.flush_limit_high_efficiency.gal_per_flush", "toilet.flush_limit_high_efficiency.l_per_flush", 0.05),
    ("shower.volume.reu_v2_showers.gal_per_shower", "shower.volume.reu_v2_showers.l_per_shower", 0.05),
]


@pytest.mark.parametrize(("us", "si", "atol"), PRINTED_IN_BOTH_UNITS)
def test_figures_printed_in_both_units_agree(us, si, atol):
    assert figure(us).value_l == pytest.approx(figure(si).value_l, abs=atol)


def test_rounded_breakdown_of_indoor_use_adds_to_the_printed_total():
    # Residential End Uses of Water, Version 2 (2016), rounded reprint: parts add to 137, the mean is 138 gal/d.
    uses = ("toilet", "shower", "faucet", "clothes_washer", "leak", "bathtub", "dishwasher", "other")
    suffix = {"toilet": ""}
    parts = [figure(f"{u}.indoor_use_by_end_use{suffix.get(u, '.reu_v2_reprint')}").value for u in uses]
    assert sum(parts) == 137
    assert sum(parts) == pytest.approx(figure("household.indoor_use.reu_v2_amwa.gal_per_household_per_d").value, abs=1)
