"""Typical ranges, flush classes and meter test flows."""

import pytest

from flowsift.errors import OptionError
from flowsift.labels import LABELS
from flowsift.standards import (
    METER_SIZES,
    figure,
    flush_classes,
    minimum_test_flow,
    nearest_flush_class,
    typical_ranges,
)
from flowsift.standards.figures import KINDS, read_data
from flowsift.standards.typical import BOUNDS, QUANTITIES
from flowsift.units import L_PER_GAL


def test_every_label_has_every_number_once():
    assert tuple(typical_ranges()) == LABELS
    rows = [(row["label"], row["quantity"], row["bound"]) for row in read_data("typical_ranges.csv")]
    assert sorted(rows) == sorted((label, q, b) for label in LABELS for q in QUANTITIES for b in BOUNDS)


@pytest.mark.parametrize("label", LABELS)
def test_ranges_are_ordered_and_each_number_has_its_basis(label):
    for quantity in QUANTITIES:
        spread = getattr(typical_ranges()[label], quantity)
        assert 0 < spread.low < spread.typical < spread.high
        for basis in spread.basis:
            assert basis.kind in KINDS
            assert basis.figure or basis.note
            assert (basis.figure is None) == (basis.kind in ("assumption", "common practice"))


def test_a_number_with_a_figure_is_not_typed_again():
    for row in read_data("typical_ranges.csv"):
        assert bool(row["figure"]) != bool(row["value"])
        assert bool(row["figure"]) == bool(row["part"])
        assert bool(row["figure"]) != bool(row["kind"])


def test_notes_name_existing_figures():
    for row in read_data("typical_ranges.csv"):
        for word in row["note"].replace("(", " ").replace(")", " ").replace(",", " ").split("figure ")[1:]:
            assert figure(word.split()[0].rstrip("."))


@pytest.mark.parametrize("label", LABELS)
def test_volume_flow_and_duration_can_meet(label):
    # A typical event must be possible: its volume lies between what its shortest and longest run would give.
    r = typical_ranges()[label]
    assert r.flow_lpm.low * r.duration_s.low / 60 < r.volume_l.typical < r.flow_lpm.high * r.duration_s.high / 60
    product = r.flow_lpm.typical * r.duration_s.typical / 60
    assert product == pytest.approx(r.volume_l.typical, rel=0.55)


def test_ranges_are_read_only():
    with pytest.raises(TypeError):
        typical_ranges()["flush"] = None


def test_ranges_cover_what_homes_have():
    flush, shower = typical_ranges()["flush"], typical_ranges()["shower"]
    assert flush.volume_l.low <= 3.0
    assert flush.volume_l.high >= 26.0
    assert flush.flow_lpm.low <= 1.5
    assert flush.flow_lpm.high >= 15.0
    assert flush.duration_s.high >= 300.0
    assert shower.flow_lpm.low <= 4.0


def test_flush_classes_rise_and_nearest_finds_each():
    classes = flush_classes()
    nominal = [c.nominal_l / L_PER_GAL for c in classes]
    assert nominal == pytest.approx([0.8, 1.28, 1.6, 3.5, 5.0, 7.0])
    for c in classes:
        assert nearest_flush_class(c.nominal_l * 1.03) is not None
        assert nearest_flush_class(c.nominal_l * 1.03).name == c.name
    assert nearest_flush_class(100.0).name == "7 gpf"


def test_minimum_test_flow_by_size():
    # AWWA test flows as copied in the Maine rules: 0.25, 0.5, 0.75, 1.5, 2 gal/min.
    flows = [minimum_test_flow(size).value for size in METER_SIZES]
    assert flows == [0.25, 0.5, 0.75, 1.5, 2.0]
    with pytest.raises(OptionError, match="3/4 in"):
        minimum_test_flow("7/8 in")
