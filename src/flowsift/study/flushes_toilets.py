"""Toilets: groups of repeated refills that are one, and what does not count as a toilet left out with its reason."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.study.flushes_dual import pair_dual
from flowsift.study.flushes_groups import LEAST_FLUSHES, Groups, group_modes
from flowsift.study.flushes_modes import Modes, Reading, find_modes
from flowsift.study.flushes_refills import Refills
from flowsift.study.flushes_shape import COARSE_S

SMALLEST_L = 2.0
"""Less than this is no flush (assumption: the smallest published reduced flush takes 3 L)."""

SMALLEST_FULL_L = 2.9
"""Less than this is no full flush (assumption: below the smallest published flush, 3 L, by a meter's error)."""

LEAST_SHARE, LEAST_SHARE_COARSE = 0.05, 0.12
"""Share of the home's flushes below which a group is no toilet of its own: on a coarse trace (`COARSE_S`) fills of
other fixtures are called flushes more often (held against training seeds)."""

LEAST_CLEAN_SHARE = 0.03
"""Share of a group's refills that are clean, below which nothing really repeats."""

SURE = 0.65
"""A group whose flushes are called so with less than this share of the surest group's probability is no toilet (set on
homes of the validation seeds)."""

BURST_S, BURSTS = 1200.0, 0.40
"""A group of which a larger share follows another one of it within this time is a washer's fills [s]; toilets stay
below 0.3 (set on homes of the validation seeds)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class ToiletRefills:
    """One toilet, or several alike.

    Attributes
    ----------
    full, reduced : BoolArray, shape (n_refills,)
        Refills that are its full and its reduced flushes; none reduced where it is single.
    full_near_l, reduced_near_l : float
        First guesses of the two volumes [L]; NaN where there is none.
    flow_lpm : float
        Flow of its clean refills.
    """

    full: BoolArray
    reduced: BoolArray
    full_near_l: float
    reduced_near_l: float
    flow_lpm: float


@dataclass(frozen=True, kw_only=True)
class LeftOut:
    """Refills that were called flushes upstream and do not enter a volume: why, how many and how much [L]."""

    reason: str
    n_events: int
    volume_l: float


@dataclass(frozen=True, kw_only=True, eq=False)
class Resolved:
    """The toilets of a home, by falling volume, and what was left out."""

    toilets: tuple[ToiletRefills, ...]
    left_out: tuple[LeftOut, ...]


def resolve_toilets(refills: Refills, *, reading: Reading) -> Resolved:
    """Tell a home's toilets apart.

    Parameters
    ----------
    refills : Refills
        Events called flushes.
    reading : Reading

    Returns
    -------
    Resolved
        No toilets where nothing repeats.
    """
    small = refills.volume_l < SMALLEST_L
    cut = ~small & refills.at_gap
    whole = ~small & ~cut
    found, doubtful = _toilets(refills.chosen(whole), reading)
    toilets = [replace(t, full=_among_all(t.full, whole), reduced=_among_all(t.reduced, whole)) for t in found]
    unlike = _among_all(doubtful, whole)
    used = np.zeros(len(refills), bool)
    for toilet in toilets:
        used |= toilet.full | toilet.reduced
    left_out = _left_out(refills.volume_l, small=small, cut=cut, unlike=unlike, used=used)
    order = np.argsort([-t.full_near_l for t in toilets], kind="stable")
    return Resolved(toilets=tuple(toilets[k] for k in order), left_out=left_out)


def _toilets(refills: Refills, reading: Reading) -> tuple[list[ToiletRefills], BoolArray]:
    """Return the toilets of whole refills, and which of these repeat and are hardly flushes."""
    modes = find_modes(
        refills.volume_l,
        refills.flow_lpm,
        volume_error_l=refills.volume_error_l,
        flow_error=refills.flow_error,
        reading=reading,
        shape=refills.shape,
    )
    groups = group_modes(modes, reading)
    reduced_of = pair_dual(modes, groups.host, groups.size, reading)
    surest = _surest(refills.probability, groups.member)
    toilets: list[ToiletRefills] = []
    doubtful = np.zeros(len(refills), bool)
    for group in range(groups.host.size):
        if group in reduced_of.values():
            continue
        toilet = _one_toilet(modes, groups, group, reduced_of.get(group))
        mine = toilet.full | toilet.reduced
        if not _often_enough(mine, reading) or not _is_full_flush(modes, groups, group):
            continue
        if _like_flushes(refills.chosen(mine), surest=surest):
            toilets.append(toilet)
        else:
            doubtful |= mine
    return toilets, doubtful


def _one_toilet(modes: Modes, groups: Groups, full: int, reduced: int | None) -> ToiletRefills:
    host = groups.host[full]
    return ToiletRefills(
        full=groups.member == full,
        reduced=np.zeros(groups.member.size, bool) if reduced is None else groups.member == reduced,
        full_near_l=float(modes.volume_l[host]),
        reduced_near_l=float("nan") if reduced is None else float(modes.volume_l[groups.host[reduced]]),
        flow_lpm=float(modes.flow_lpm[host]),
    )


def _often_enough(mine: BoolArray, reading: Reading) -> bool:
    share = LEAST_SHARE_COARSE if reading.interval_s >= COARSE_S else LEAST_SHARE
    return bool(mine.sum() >= max(LEAST_FLUSHES, share * mine.size))


def _is_full_flush(modes: Modes, groups: Groups, group: int) -> bool:
    """Tell whether a group is large enough for a full flush, and really repeats."""
    clean = float(modes.clean[:, groups.of_mode == group].sum()) / max(float((groups.member == group).sum()), 1.0)
    return bool(modes.volume_l[groups.host[group]] >= SMALLEST_FULL_L and clean >= LEAST_CLEAN_SHARE)


def _surest(probability: FloatArray, member: IntArray) -> float:
    """Return the mean probability of the flushes of the surest group, 0 without groups."""
    each = [probability[member == group] for group in range(int(member.max(initial=-1)) + 1)]
    return float(max((mine.mean() for mine in each if mine.size >= LEAST_FLUSHES), default=0.0))


def _like_flushes(mine: Refills, *, surest: float) -> bool:
    """Tell whether refills that repeat are flushes rather than another fixture's fills."""
    return bool(mine.probability.mean() >= SURE * surest and _bursts(mine.start_s, mine.end_s) <= BURSTS)


def _bursts(start_s: FloatArray, end_s: FloatArray) -> float:
    """Return the share of refills that begin soon after the one before has ended (sorted by start)."""
    if start_s.size < 2:
        return 0.0
    pause = start_s[1:] - np.maximum.accumulate(end_s)[:-1]
    return float(((pause >= 0.0) & (pause < BURST_S)).mean())


def _among_all(chosen: BoolArray, whole: BoolArray) -> BoolArray:
    """Return which of all refills are chosen, from which of the whole ones are."""
    which = np.zeros(whole.size, bool)
    which[whole] = chosen
    return which


def _left_out(
    volume_l: FloatArray, *, small: BoolArray, cut: BoolArray, unlike: BoolArray, used: BoolArray
) -> tuple[LeftOut, ...]:
    reasons = (
        (f"too small for a flush (below {SMALLEST_L:g} L)", small),
        ("cut by missing data or by an end of the record", cut),
        ("repeated, but less like flushes than another fixture's fills (bursts, or little certainty)", unlike),
        ("apart from every repeated volume: partial, mixed, or no flush", ~(small | cut | unlike | used)),
    )
    return tuple(
        LeftOut(reason=reason, n_events=int(which.sum()), volume_l=float(volume_l[which].sum()))
        for reason, which in reasons
        if which.any()
    )
