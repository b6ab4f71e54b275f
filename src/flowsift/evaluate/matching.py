"""One-to-one matching of true and answered events by optimal assignment."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from scipy.optimize import linear_sum_assignment
from scipy.sparse import coo_array, csr_array
from scipy.sparse.csgraph import connected_components, min_weight_full_bipartite_matching

from flowsift.disaggregation import Shares
from flowsift.evaluate.account import Account
from flowsift.grouping import expand_ranges, sum_by
from flowsift.trace import FloatArray, IntArray

DENSE_LIMIT = 1_000_000
"""Largest cost matrix that is solved densely; a larger component goes to the sparse solver."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Pairs:
    """Every pair of a true and an answered event that share time.

    Attributes
    ----------
    truth, answer : ndarray of int64, shape (n_pairs,)
        Row of the event on each side.
    time_iou : ndarray, shape (n_pairs,)
        Time that both cover over time that either covers, 0 to 1 (Jaccard index of the two intervals).
    volume_iou : ndarray, shape (n_pairs,)
        Volume that both hold in the same cells over volume that either holds, 0 to 1.
    """

    truth: IntArray
    answer: IntArray
    time_iou: FloatArray
    volume_iou: FloatArray

    @property
    def agreement(self) -> FloatArray:
        """Mean of the two overlaps: what the assignment maximises. Volume tells uses apart that run at once."""
        return (self.time_iou + self.volume_iou) / 2.0


def candidate_pairs(truth: Account, answer: Account) -> Pairs:
    """Find the pairs of events that share at least one cell of time."""
    t, a = overlapping_ranges(truth.start, truth.end, answer.start, answer.end)
    both = np.minimum(truth.end[t], answer.end[a]) - np.maximum(truth.start[t], answer.start[a])
    either = np.maximum(truth.end[t], answer.end[a]) - np.minimum(truth.start[t], answer.start[a])
    shared = _shared_volume_l(truth.shares, answer.shares, t, a, answer.n_events)
    union = truth.volume_l[t] + answer.volume_l[a] - shared
    volume_iou = np.divide(shared, union, out=np.zeros(t.size), where=union > 0)
    return Pairs(truth=t, answer=a, time_iou=both / either, volume_iou=np.minimum(volume_iou, 1.0))


def overlapping_ranges(
    start: IntArray, end: IntArray, other_start: IntArray, other_end: IntArray
) -> tuple[IntArray, IntArray]:
    """Return the pairs of rows whose half-open ranges overlap, ordered by the first row.

    Both sides are sorted by start; cost follows the number of pairs (and of long ranges), not the product of sizes.
    """
    reach = np.maximum.accumulate(other_end) if other_end.size else other_end
    first = np.searchsorted(reach, start, side="right")
    stop = np.maximum(np.searchsorted(other_start, end, side="left"), first)
    row, other = expand_ranges(first, stop)
    keep = (other_end[other] > start[row]) & (other_start[other] < end[row])
    return row[keep], other[keep]


def assign(left: IntArray, right: IntArray, weight: FloatArray) -> IntArray:
    """Choose pairs so that no row is used twice and the total weight is largest.

    Exact: the pairs' graph falls into connected components, each solved as a linear assignment problem
    (`scipy.optimize.linear_sum_assignment`; a large one by its sparse counterpart).

    Parameters
    ----------
    left, right : ndarray of int64, shape (n_pairs,)
        The two rows of each possible pair; no pair twice.
    weight : ndarray, shape (n_pairs,)
        Weight of each pair, > 0.

    Returns
    -------
    ndarray of int64, shape (n_chosen,)
        Positions of the chosen pairs, increasing.
    """
    if left.size == 0:
        return np.empty(0, np.int64)
    left_rows, of_left = np.unique(left, return_inverse=True)
    right_rows, of_right = np.unique(right, return_inverse=True)
    n = left_rows.size + right_rows.size
    graph = coo_array((np.ones(left.size), (of_left, of_right + left_rows.size)), shape=(n, n))
    _, component = connected_components(graph, directed=False)
    of_pair = component[of_left]
    order = np.argsort(of_pair, kind="stable")
    bounds = np.flatnonzero(np.diff(of_pair[order], prepend=-1, append=-1))
    chosen = [
        group if group.size == 1 else group[_assign_component(of_left[group], of_right[group], weight[group])]
        for group in (order[first:stop] for first, stop in pairwise(bounds))
    ]
    return np.sort(np.concatenate(chosen))


def _assign_component(left: IntArray, right: IntArray, weight: FloatArray) -> IntArray:
    _, row = np.unique(left, return_inverse=True)
    _, column = np.unique(right, return_inverse=True)
    n_rows, n_columns = int(row.max()) + 1, int(column.max()) + 1
    if n_rows * n_columns <= DENSE_LIMIT:
        dense = np.zeros((n_rows, n_columns))
        dense[row, column] = weight
        rows, columns = linear_sum_assignment(dense, maximize=True)
    else:
        # Each row gets a column of its own at next to no weight, so that leaving it unmatched is allowed.
        spare = np.arange(n_rows)
        places = np.concatenate([row, spare]), np.concatenate([column, n_columns + spare])
        sparse = csr_array((np.concatenate([weight, np.full(n_rows, 1e-12)]), places))
        taken = min_weight_full_bipartite_matching(sparse, maximize=True)
        rows, columns = taken[0].astype(np.int64), taken[1].astype(np.int64)
    # A solution may seat rows where there is no pair; those are left out here.
    width = n_columns + n_rows
    return np.flatnonzero(np.isin(row * width + column, rows * width + columns))


def _shared_volume_l(truth: Shares, answer: Shares, t: IntArray, a: IntArray, n_answer: int) -> FloatArray:
    """Sum, for each pair of events, the smaller share in every cell that both hold [L]."""
    if t.size == 0:
        return np.empty(0)
    order = np.argsort(answer.flow, kind="stable")
    flow = answer.flow[order]
    left, right = expand_ranges(np.searchsorted(flow, truth.flow, "left"), np.searchsorted(flow, truth.flow, "right"))
    right = order[right]
    key = truth.event[left] * n_answer + answer.event[right]
    wanted = t * n_answer + a
    by_key = np.argsort(wanted)
    place = np.minimum(np.searchsorted(wanted[by_key], key), wanted.size - 1)
    found = wanted[by_key][place] == key
    both = np.minimum(truth.volume_l[left], answer.volume_l[right])
    return sum_by(by_key[place[found]], both[found], t.size)
