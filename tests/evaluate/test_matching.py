"""Matching: optimal, one to one, and the same as the slow obvious version."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from flowsift.evaluate import matching
from flowsift.evaluate.matching import assign, overlapping_ranges


def brute_force_total(left: np.ndarray, right: np.ndarray, weight: np.ndarray) -> float:
    """Try every way to seat the left rows."""
    table = {(int(a), int(b)): float(w) for a, b, w in zip(left, right, weight, strict=True)}
    rows, columns = sorted(set(left.tolist())), sorted(set(right.tolist())) + [-1] * len(set(left.tolist()))
    return max(
        sum(table.get(p, 0.0) for p in zip(rows, seats, strict=True)) for seats in set(permutations(columns, len(rows)))
    )


@st.composite
def weighted_graphs(draw: st.DrawFn) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    edges = draw(st.sets(st.tuples(st.integers(0, 3), st.integers(0, 3)), min_size=1, max_size=9))
    weights = draw(st.lists(st.integers(1, 100), min_size=len(edges), max_size=len(edges)))
    left, right = np.array(sorted(edges), np.int64).T
    return left, right, np.array(weights) / 100.0


@settings(max_examples=60, deadline=None)
@given(weighted_graphs())
def test_assignment_is_one_to_one_and_as_heavy_as_the_best_of_all_seatings(graph) -> None:
    left, right, weight = graph
    chosen = assign(left, right, weight)
    assert np.unique(left[chosen]).size == chosen.size == np.unique(right[chosen]).size
    assert weight[chosen].sum() == pytest.approx(brute_force_total(left, right, weight), abs=1e-9)


def test_greedy_would_lose_here() -> None:
    # The heaviest single pair (0, 0) blocks the two pairs that are worth more together.
    left, right, weight = np.array([0, 0, 1]), np.array([0, 1, 0]), np.array([0.6, 0.5, 0.5])
    assert assign(left, right, weight).tolist() == [1, 2]


def test_sparse_solver_agrees_with_the_dense_one(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    left = np.repeat(np.arange(40), 3)
    right = (left + np.tile([0, 1, 2], 40)) % 37
    weight = rng.uniform(0.01, 1.0, left.size)
    dense = weight[assign(left, right, weight)].sum()
    monkeypatch.setattr(matching, "DENSE_LIMIT", 0)
    assert weight[assign(left, right, weight)].sum() == pytest.approx(dense, abs=1e-9)


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(0, 12), st.integers(0, 12))
def test_overlapping_ranges_are_those_of_a_double_loop(seed: int, n: int, m: int) -> None:
    rng = np.random.default_rng(seed)
    a, b = np.sort(rng.integers(0, 30, n)), np.sort(rng.integers(0, 30, m))
    a_end, b_end = a + rng.integers(1, 15, n), b + rng.integers(1, 15, m)
    row, other = overlapping_ranges(a, a_end, b, b_end)
    expected = {(i, j) for i in range(n) for j in range(m) if a[i] < b_end[j] and b[j] < a_end[i]}
    assert set(zip(row.tolist(), other.tolist(), strict=True)) == expected
    assert row.size == len(expected)


def test_ten_thousand_events_match_quickly() -> None:
    rng = np.random.default_rng(0)
    start = np.sort(rng.integers(0, 2_000_000, 10_000))
    end = start + rng.integers(5, 400, start.size)
    row, other = overlapping_ranges(start, end, start, end)
    chosen = assign(row, other, np.where(row == other, 1.0, 0.3))
    assert np.array_equal(row[chosen], other[chosen])
    assert chosen.size == start.size
