"""What a use looks like, on traces whose shape is drawn by hand."""

import numpy as np
import pandas as pd
import pytest

from flowsift import Trace
from flowsift.features import describe_uses, features_of_cuts
from flowsift.pipeline import cut_pieces


def traced(*runs):
    """Trace of (seconds, L/min) one after the other, with an hour of nothing on either side."""
    flow_lpm = np.concatenate([np.zeros(3600), *(np.full(seconds, flow) for seconds, flow in runs), np.zeros(3600)])
    times = pd.date_range("2024-05-01", periods=flow_lpm.size, freq="s", tz="UTC")
    return Trace.from_volumes(times, flow_lpm / 60.0, pulse_l=0.001)


def described(*runs):
    """Figures of all pieces of a trace, taken as one use."""
    trace = traced(*runs)
    pieces = cut_pieces(trace)[1]
    features = describe_uses(trace, pieces.joined(np.zeros(pieces.n_uses, np.int64)))
    assert features.n_uses == 1
    return {name: float(getattr(features, name)[0]) for name in vars(features)}


def test_a_steady_draw_is_one_stretch_at_one_level():
    found = described((120, 8.0))
    assert found["n_stretches"] == 1
    assert found["paused_s"] == 0
    assert found["first_lpm"] == found["last_lpm"] == found["flow_lpm"] == pytest.approx(8.0)
    assert found["main_share"] == 1
    assert found["restlessness"] == 0


def test_a_nozzle_that_is_let_go_shows_stretches_and_pauses():
    found = described((60, 12.0), (20, 0.0), (40, 12.0), (15, 0.0), (50, 12.0))
    assert found["n_stretches"] == 3
    assert found["paused_s"] == pytest.approx(35.0, abs=3.0)
    assert found["duration_s"] == pytest.approx(185.0, abs=3.0)


def test_a_purge_is_seen_at_the_beginning_and_a_closing_float_at_the_end():
    shower = described((40, 15.0), (400, 8.0))
    assert shower["first_lpm"] == pytest.approx(15.0, rel=0.02)
    assert shower["last_lpm"] == shower["flow_lpm"] == pytest.approx(8.0, rel=0.02)
    assert shower["restlessness"] == pytest.approx(np.log(15.0 / 8.0), rel=0.05)
    assert shower["main_share"] == pytest.approx(400 / 440, abs=0.02)
    cistern = described((60, 9.0), (30, 3.0))
    assert cistern["first_lpm"] == cistern["flow_lpm"] == pytest.approx(9.0, rel=0.02)
    assert cistern["last_lpm"] == pytest.approx(3.0, rel=0.05)


def test_the_peak_of_a_joined_use_is_the_highest_of_its_stretches():
    # The second stretch is shorter than a valve takes to open: it has no level but its way up and down.
    found = described((60, 6.0), (30, 0.0), (2, 12.0))
    assert found["n_stretches"] == 2
    assert found["peak_lpm"] == pytest.approx(12.0, rel=0.02)


def test_cuts_alone_are_one_steady_level():
    one = np.ones(2)
    found = features_of_cuts(np.array([0.0, 100.0]), 60.0 * one, 6.0 * one, 6.0 * one)
    assert found.n_stretches.tolist() == [1, 1]
    assert found.first_lpm.tolist() == found.last_lpm.tolist() == found.flow_lpm.tolist()
    assert found.paused_s.tolist() == found.restlessness.tolist() == [0, 0]
