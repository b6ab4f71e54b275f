"""What the baselines do with the simplest traces."""

from __future__ import annotations

import numpy as np
import pytest

from flowsift.evaluate.references import EmptyMethod
from flowsift.evaluate.scores import score_home
from flowsift.evaluate.suites import suite
from flowsift.methods.change_points import pair_steps
from flowsift.methods.cuts import cut_on_pauses, sampled_flow
from flowsift.methods.floor import FloorMethod
from flowsift.methods.hidden_markov import log_likelihoods
from flowsift.trace import Trace
from flowsift.units import NS_PER_S


def trace_of(
    volume_by_cell: dict[int, float], *, pulse_l: float = 0.0, gaps: list[tuple[int, int]] | None = None
) -> Trace:
    cells = np.array(sorted(volume_by_cell), np.int64)
    return Trace(
        start_ns=0,
        interval_ns=NS_PER_S,
        n_cells=86_400,
        cell=cells,
        volume_l=np.array([volume_by_cell[c] for c in cells.tolist()]),
        gaps=np.array(gaps or np.empty((0, 2)), np.int64).reshape(-1, 2),
        gap_volume_l=np.zeros(len(gaps or [])),
        pulse_l=pulse_l,
    )


def test_pauses_cut_and_short_ones_do_not() -> None:
    cuts = cut_on_pauses(trace_of(dict.fromkeys([*range(100, 110), *range(115, 120), *range(200, 205)], 0.1)))
    assert list(zip(cuts.start, cuts.end, strict=True)) == [(100, 120), (200, 205)]
    assert cuts.volume_l == pytest.approx([1.5, 0.5])
    assert cuts.peak_lpm == pytest.approx([6.0, 6.0])


def test_missing_data_cuts_even_without_a_pause() -> None:
    cuts = cut_on_pauses(trace_of(dict.fromkeys([100, 101, 104, 105], 0.1), gaps=[(102, 104)]))
    assert list(zip(cuts.start, cuts.end, strict=True)) == [(100, 102), (104, 106)]


def test_coarse_pulses_of_one_draw_stay_together() -> None:
    # 1 L pulses at 6 L/min come 10 s apart; at 0.5 L/min two minutes apart, which is no use any more.
    assert cut_on_pauses(trace_of({1_000 + 10 * i: 1.0 for i in range(9)}, pulse_l=1.0)).start.size == 1
    assert cut_on_pauses(trace_of({1_000 + 120 * i: 1.0 for i in range(9)}, pulse_l=1.0)).start.size == 9


def test_peak_of_the_last_cell_of_the_trace() -> None:
    cuts = cut_on_pauses(trace_of({10: 0.1, 86_399: 0.2}))
    assert cuts.peak_lpm == pytest.approx([6.0, 12.0])


def test_pulses_are_spread_over_the_time_since_the_last_one() -> None:
    trace = trace_of({100 + 10 * i: 1.0 for i in range(10)}, pulse_l=1.0)
    edge, rate = sampled_flow(trace, 100, 191)
    assert rate.size == 91
    assert rate[1:] == pytest.approx(np.full(90, 6.0))
    assert (rate * np.diff(edge)).sum() / 60.0 == pytest.approx(10.0)


def test_a_fall_closes_the_rise_of_its_size() -> None:
    # A shower of 8, a flush of 5 opens at 100 and closes at 160 while the shower runs on.
    draws = pair_steps([0, 100, 160, 400], [8.0, 13.0, 8.0])
    assert sorted((d.start, d.end, round(d.size_lpm)) for d in draws) == [(0, 400, 8), (100, 160, 5)]
    # The shower closes first: the flush runs on alone.
    draws = pair_steps([0, 100, 160, 400], [8.0, 13.0, 5.0])
    assert sorted((d.start, d.end, round(d.size_lpm)) for d in draws) == [(0, 160, 8), (100, 400, 5)]


def test_the_floor_is_above_nothing_and_below_the_truth() -> None:
    trace, truth = suite("validation").homes[0].load()
    nothing, floor = (
        score_home(m.disaggregate(trace), truth).figures["volume.share"] for m in (EmptyMethod(), FloorMethod())
    )
    assert nothing == 0.0 < 0.2 < floor < 0.95


def test_likelihoods_are_those_of_the_library() -> None:
    hmm = pytest.importorskip("hmmlearn.hmm", reason="not installed")
    rng = np.random.default_rng(2)
    shapes = [rng.normal(size=(n, 1)) for n in (1, 7, 3, 7, 40, 1)]
    model = hmm.GaussianHMM(3, covariance_type="diag", n_iter=5, random_state=0, tol=np.inf)
    model.fit(np.concatenate(shapes), [len(shape) for shape in shapes])
    assert log_likelihoods(model, shapes) == pytest.approx([model.score(shape) for shape in shapes])
