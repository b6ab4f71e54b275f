"""Which pieces of flow are one use."""

from dataclasses import replace

import numpy as np
import pytest

from flowsift.classify.joining import join_uses, longest_seen_s
from flowsift.classify.mixture import fit_home
from flowsift.features import features_of_cuts
from flowsift.labels import LABELS
from flowsift.surroundings import describe_surroundings

METER = {"pulse_l": 0.01, "interval_s": 1.0, "days": 7.0}


def joined(pieces, *, probability=None, interval_s=1.0):
    """Join pieces given as (start, duration, flow, label); each is of its label with `probability`."""
    start_s, duration_s, flow_lpm, label = zip(*pieces, strict=True)
    duration_s, flow_lpm = np.array(duration_s, float), np.array(flow_lpm, float)
    features = features_of_cuts(np.array(start_s, float), duration_s, duration_s * flow_lpm / 60, flow_lpm)
    none = features.at(np.empty(0, np.int64))
    table = np.zeros((len(label), len(LABELS)))
    for row, (name, p) in enumerate(zip(label, probability or np.ones(len(label)), strict=True)):
        table[row, LABELS.index("flush")] = 1 - p
        table[row, LABELS.index(name)] = p
    model = replace(fit_home(none, describe_surroundings(none, days=7.0), **METER), probability=table)
    return join_uses(features, model, interval_s=interval_s).tolist()


@pytest.mark.parametrize(
    ("interval_s", "seen_s"),
    # Its first and last cells hold flow: ten seconds leave nine whole cells of a second empty on average; a cell longer
    # than the pause is never empty in it.
    [(1.0, 9.0), (2.0, 8.0), (5.0, 5.0), (10.0, 10.0), (30.0, 0.0), (60.0, 0.0)],
)
def test_a_pause_looks_a_cell_shorter_than_it_is(interval_s, seen_s):
    assert longest_seen_s(10.0, interval_s=interval_s) == seen_s


@pytest.mark.parametrize(("pause_s", "uses"), [(0, 1), (9, 1), (10, 2), (30, 2)])
def test_a_tap_is_one_use_over_pauses_of_ten_seconds_whatever_its_flow(pause_s, uses):
    pieces = [(0, 10, 3.0, "faucet"), (10 + pause_s, 10, 7.5, "faucet")]
    assert len(set(joined(pieces))) == uses


def test_a_tap_after_a_flush_is_another_use():
    assert joined([(0, 60, 7.0, "flush"), (64, 10, 4.0, "faucet")]) == [0, 1]


def test_a_piece_that_may_be_a_tap_beside_a_tap_is_one():
    pieces = [(0, 10, 4.0, "faucet"), (14, 10, 7.0, "faucet")]
    assert joined(pieces, probability=[1.0, 0.4]) == [0, 0]
    assert joined(pieces, probability=[1.0, 0.2]) == [0, 1]


def test_cells_longer_than_the_pause_go_on_only_at_an_unchanged_flow():
    assert joined([(0, 60, 3.0, "faucet"), (60, 60, 7.0, "faucet")], interval_s=60.0) == [0, 1]
    assert joined([(0, 60, 3.0, "faucet"), (60, 60, 3.3, "faucet")], interval_s=60.0) == [0, 0]


def test_a_thin_stream_inside_a_tap_is_a_turn_of_it():
    host = (0, 60, 5.0, "faucet")
    assert joined([host, (20, 15, 0.8, "faucet")]) == [0, 0]
    assert joined([host, (20, 15, 3.0, "faucet")]) == [0, 1]
    assert joined([host, (20, 15, 0.8, "cooler")]) == [0, 1]


def test_a_shower_goes_on_after_soaping_even_where_a_piece_looks_like_something_else():
    pieces = [(0, 200, 8.0, "shower"), (300, 90, 8.1, "shower")]
    assert joined(pieces, probability=[1.0, 0.1]) == [0, 0]
    assert joined(pieces, probability=[1.0, 0.01]) == [0, 1]
    # Two rinses at a tap are no shower, however alike.
    assert joined([(0, 10, 4.0, "faucet"), (60, 10, 4.0, "faucet")]) == [0, 1]


@pytest.mark.parametrize(("pause_s", "uses"), [(100, 1), (200, 2)])
def test_two_runs_that_are_surely_a_shower_are_one_over_another_setting(pause_s, uses):
    pieces = [(0, 120, 8.0, "shower"), (120 + pause_s, 200, 5.5, "shower")]
    assert len(set(joined(pieces))) == uses


@pytest.mark.parametrize(("pause_s", "flow_lpm", "uses"), [(50, 7.0, 1), (70, 7.0, 2), (50, 2.0, 2)])
def test_a_hose_goes_on_after_a_minute_with_another_nozzle(pause_s, flow_lpm, uses):
    pieces = [(0, 120, 14.0, "hose"), (120 + pause_s, 200, flow_lpm, "hose")]
    assert len(set(joined(pieces))) == uses


def test_a_machine_that_fills_in_doses_fills_once():
    def doses(*volumes_l, pause_s=14.0, label="clothes_washer"):
        start_s, pieces = 0.0, []
        for volume_l in volumes_l:
            pieces.append((start_s, 60.0 * volume_l / 8.0, 8.0, label))
            start_s += 60.0 * volume_l / 8.0 + pause_s
        return pieces

    assert len(set(joined(doses(1.2, 1.2, 1.2, 1.3)))) == 1
    assert len(set(joined(doses(1.2, 1.2, 1.2, pause_s=40.0)))) == 3
    assert len(set(joined(doses(1.2, 1.2, 1.2, label="flush")))) == 3
    # Fills of a programme, which may follow each other as closely, are not all of one size, or there are two of them.
    assert len(set(joined(doses(12.0, 4.0, 8.0)))) == 3
    assert len(set(joined(doses(12.0, 12.0)))) == 2
