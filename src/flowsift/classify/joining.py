"""Pieces of flow that are one use: a tap shut for a moment, a shower with the water off for soaping."""

from __future__ import annotations

from functools import cache

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.classify.cycles import MACHINES
from flowsift.classify.mixture import HomeModel
from flowsift.features import UseFeatures
from flowsift.grouping import first_by, sum_by
from flowsift.labels import LABELS
from flowsift.standards import typical_ranges

TAP_PAUSE_S = 10.0
"""A tap shut and opened again within this time is in one use (the rule by which published draw data are cut)."""

TAP_ALIKE = 3.0
"""Flows before and after such a pause differ by at most this factor (assumption: the rule asks for no flow, but beyond
this the second is as often another tap)."""

TURN_LPM = 1.0
"""Less than this beside a larger use of the same label is a turn of its tap, no second use [L/min] (assumption: a thin
stream)."""

VALVE_ALIKE = 1.3
"""Whatever opens again within `TAP_PAUSE_S` at a flow within this factor is the same valve, by hand or not (assumption:
washers that fill in bursts; short bursts show their flow roughly)."""

SHOWER_PAUSE_S = 150.0
"""Longest pause inside a shower (common practice: water off for soaping)."""

SHOWER_ALIKE = 1.15
"""Flows before and after such a pause differ by at most this factor (assumption: a setting is found again)."""

HOSE_PAUSE_S = 60.0
"""Longest pause inside the use of a hose (common practice: the nozzle shut on the way to the next bed)."""

HOSE_ALIKE = 3.0
"""Flows before and after such a pause differ by at most this factor (assumption: a nozzle is set anew)."""

SURE_SHOWER_ALIKE = 1.6
"""The same where both are likelier a shower's than anything else (assumption: another setting, or another pressure)."""

STAGE_PAUSE_S = 60.0
"""Longest time from one stage of a softener's regeneration to the next (assumption: the valve head turns)."""

DOSING_PAUSE_S = 20.0
"""Longest pause between two doses in the fill of a machine (assumption: one that weighs its water waits for each to
soak in)."""

DOSES_ALIKE = 1.3
"""Flows and volumes of two such doses differ by at most this factor (assumption)."""

FEWEST_DOSES = 3
"""Doses of such a fill at least: two fills alike may follow each other as closely (assumption)."""

MOST_BETWEEN = 5
"""Uses of other fixtures that may begin between two pieces of one use."""

BY_HAND = tuple(LABELS.index(name) for name in ("faucet", "shower", "hose", "other"))
"""Labels whose flow a hand shuts off and on."""

MAYBE_BY_HAND = 0.3
"""Least probability of `BY_HAND` of a piece that may be a tap's: flows so close are nearly always one use."""

HARDLY_BY_HAND = 0.05
"""The same of a piece of a shower: what is left of it beside other uses looks like anything, but the whole must look
like a shower."""

BY_MACHINE = tuple(LABELS.index(name) for name in MACHINES)
"""Labels whose flow a machine shuts off and on."""

IRRIGATION = LABELS.index("irrigation")
"""Its zones follow each other within seconds, each through a valve of its own."""

SHOWER, FAUCET, HOSE, SOFTENER = (LABELS.index(name) for name in ("shower", "faucet", "hose", "softener"))

SURE = 0.5
"""Probability from which a piece is taken for what it is called."""


def join_uses(features: UseFeatures, model: HomeModel, *, interval_s: float) -> IntArray:
    """Group pieces into uses.

    Hands find a setting again only roughly and pause at will, valves repeat theirs: so the pieces that may belong
    together depend on what the home model takes them for.

    Parameters
    ----------
    features : UseFeatures
        Of the pieces.
    model : HomeModel
        Of the same pieces.
    interval_s : float
        Length of a cell [s].

    Returns
    -------
    ndarray of int64, shape (n_pieces,)
        Number of the use of each piece, from 0 in the order of first pieces.
    """
    n = features.n_uses
    if n == 0:
        return np.empty(0, np.int64)
    short = longest_seen_s(TAP_PAUSE_S, interval_s=interval_s)
    by_hand = model.probability[:, BY_HAND].sum(axis=1)

    def chained(some: BoolArray, longest_pause_s: float, alike: float, volume_alike: float = np.inf) -> IntArray:
        return _chain_some(np.flatnonzero(some), features, longest_pause_s, alike, volume_alike)

    # Longer cells don't show that a tap was shut: only an unchanged flow goes on from one to the next.
    tap_alike = TAP_ALIKE if interval_s <= TAP_PAUSE_S else VALVE_ALIKE
    likely = model.probability > SURE
    shower = chained(by_hand > HARDLY_BY_HAND, SHOWER_PAUSE_S, SHOWER_ALIKE)
    doses = chained(
        model.probability[:, BY_MACHINE].sum(axis=1) > SURE,
        longest_seen_s(DOSING_PAUSE_S, interval_s=interval_s),
        DOSES_ALIKE,
        volume_alike=DOSES_ALIKE,
    )
    whole = _merged(
        chained(~likely[:, IRRIGATION], short, VALVE_ALIKE),
        chained(by_hand > MAYBE_BY_HAND, short, tap_alike),
        np.where(_is_shower(shower, features.volume_l, features.flow_lpm, model)[shower], shower, n + np.arange(n)),
        _of_several(doses, FEWEST_DOSES),
        chained(likely[:, SHOWER], SHOWER_PAUSE_S, SURE_SHOWER_ALIKE),
        chained(likely[:, HOSE], HOSE_PAUSE_S, HOSE_ALIKE),
        chained(likely[:, SOFTENER], STAGE_PAUSE_S, np.inf),
    )
    return np.unique(_merged(whole, _fragments(features, model, longest_pause_s=short)), return_inverse=True)[1].astype(
        np.int64
    )


def longest_seen_s(pause_s: float, *, interval_s: float) -> float:
    """Return how long a pause looks that lasts `pause_s`, in whole cells without flow [s].

    The cells in which flow ends and begins hold some of it, so that the pause looks shorter by one cell on average. One
    empty cell is let pass, as one with little flow is left out of a piece; but a cell longer than the pause never lies
    in it.
    """
    return max(pause_s - interval_s, interval_s) if interval_s <= pause_s else 0.0


def _of_several(chain: IntArray, fewest: int) -> IntArray:
    """Number pieces like `chain`, those of a chain with fewer than `fewest` pieces apart."""
    apart = chain.max() + 1 + np.arange(chain.size)
    return np.where(np.bincount(chain)[chain] < fewest, apart, chain)


def _fragments(features: UseFeatures, model: HomeModel, *, longest_pause_s: float) -> IntArray:
    """Number pieces so that one that is no use of its label shares the number of the largest it touches.

    A toilet's float wavers, a neighbour's valve closes: what is left over beside a flush is no second flush. And a hand
    that turns a tap further for a while opens no second tap.
    """
    n = features.n_uses
    label = model.probability.argmax(axis=1)
    small = features.volume_l < _least_volume_l()[label]
    thin = (features.flow_lpm < TURN_LPM) & np.isin(label, BY_HAND)
    end_s = features.start_s + features.duration_s
    parent, size = np.arange(n), features.volume_l.copy()
    for apart in range(1, min(MOST_BETWEEN + 2, n)):
        early, late = np.arange(n - apart), np.arange(apart, n)
        pause_s = features.start_s[late] - end_s[early]
        like = label[early] == label[late]
        for piece, other in ((early, late), (late, early)):
            left_over = small[piece] & (pause_s <= longest_pause_s) | thin[piece] & (pause_s < 0)
            larger = like & left_over & (features.volume_l[other] > size[piece])
            parent[piece[larger]] = other[larger]
            size[piece[larger]] = features.volume_l[other[larger]]
    return _numbered(parent)


@cache
def _least_volume_l() -> FloatArray:
    """Low end of the published volumes of a use, by label [L]."""
    return np.array([typical_ranges()[label].volume_l.low for label in LABELS])


def _chain_some(
    some: IntArray, features: UseFeatures, longest_pause_s: float, alike: float, volume_alike: float
) -> IntArray:
    """Number pieces like `chain_pieces`, but chain only `some` of them; the others stay alone."""
    number = np.arange(features.n_uses)
    if some.size:
        start_s = features.start_s[some]
        end_s = start_s + features.duration_s[some]
        chain = chain_pieces(
            start_s,
            end_s,
            features.flow_lpm[some],
            features.volume_l[some],
            longest_pause_s=longest_pause_s,
            alike=alike,
            volume_alike=volume_alike,
        )
        number[some] = some[first_by(chain, int(chain.max()) + 1)][chain]
    return np.unique(number, return_inverse=True)[1].astype(np.int64)


def chain_pieces(
    start_s: FloatArray,
    end_s: FloatArray,
    flow_lpm: FloatArray,
    volume_l: FloatArray,
    *,
    longest_pause_s: float,
    alike: float,
    volume_alike: float = np.inf,
) -> IntArray:
    """Number pieces so that those of like flow and volume with only a short pause between them share a number.

    Parameters
    ----------
    start_s, end_s, flow_lpm, volume_l : ndarray, shape (n_pieces,)
        Sorted by start.
    longest_pause_s : float
        Longest pause inside one use [s].
    alike, volume_alike : float
        Largest ratio of the flows and of the volumes of neighbouring pieces, > 1.

    Returns
    -------
    ndarray of int64, shape (n_pieces,)
        Numbers from 0 in the order of the first piece of each use.
    """
    n = start_s.size
    leader = np.arange(n)
    followed = np.zeros(n, bool)
    for apart in range(1, min(MOST_BETWEEN + 2, n)):
        pause = start_s[apart:] - end_s[:-apart]
        like = (np.abs(np.log(flow_lpm[apart:] / flow_lpm[:-apart])) < np.log(alike)) & (
            np.abs(np.log(volume_l[apart:] / volume_l[:-apart])) < np.log(volume_alike)
        )
        piece = np.arange(apart, n)
        follows = (pause >= 0) & (pause <= longest_pause_s) & like & (leader[apart:] == piece) & ~followed[:-apart]
        leader[piece[follows]] = piece[follows] - apart
        followed[:-apart] |= follows
    return _numbered(leader)


def _is_shower(chain: IntArray, volume_l: FloatArray, flow_lpm: FloatArray, model: HomeModel) -> BoolArray:
    """Tell which chains of several pieces would, taken as one use, be a shower rather than a tap."""
    n = int(chain.max()) + 1
    volume = sum_by(chain, volume_l, n)
    rate = model.log_rate(np.log(volume), np.log(flow_lpm[first_by(chain, n)]))
    several = sum_by(chain, np.ones(chain.size), n) > 1
    return np.asarray(several & (rate[:, SHOWER] > rate[:, FAUCET]))


def _merged(*numberings: IntArray) -> IntArray:
    """First piece of each group where pieces belong together if any numbering puts them together."""
    size = numberings[0].size
    leader = np.arange(size)
    while True:
        before = leader
        for numbering in numberings:
            group = np.unique(numbering, return_inverse=True)[1]
            least = np.full(int(group.max()) + 1, size)
            np.minimum.at(least, group, leader)
            leader = least[group]
        if np.array_equal(leader, before):
            return leader


def _numbered(leader: IntArray) -> IntArray:
    """Follow each piece to the first of its chain and number the chains."""
    while not np.array_equal(leader[leader], leader):
        leader = leader[leader]
    return np.unique(leader, return_inverse=True)[1].astype(np.int64)
