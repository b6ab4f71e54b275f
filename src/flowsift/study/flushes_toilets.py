"""Toilets: groups of repeated refills that are one, and what does not count as a toilet left out with its reason."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from flowsift.arrays import BoolArray, FloatArray
from flowsift.ingest.findings import SEVERAL_USES_S
from flowsift.study.flushes_dual import pair_dual
from flowsift.study.flushes_groups import LEAST_FLUSHES, Groups, group_modes
from flowsift.study.flushes_modes import Modes, Reading, find_modes
from flowsift.study.flushes_odds import is_toilet, signs
from flowsift.study.flushes_refills import Refills

SMALLEST_L = 2.0
"""Less than this is no flush (assumption: the smallest published reduced flush takes 3 L)."""


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

    @property
    def all(self) -> BoolArray:
        """Refills that are its flushes of either kind."""
        return self.full | self.reduced


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
    blurred = ~small & ~cut & (reading.interval_s >= SEVERAL_USES_S)
    whole = ~small & ~cut & ~blurred
    toilets: list[ToiletRefills] = []
    used, unlike = np.zeros(len(refills), bool), np.zeros(len(refills), bool)
    for group in repeated(refills.chosen(whole), reading):
        toilet = replace(group, full=_among_all(group.full, whole), reduced=_among_all(group.reduced, whole))
        if is_toilet(signs(refills.chosen(toilet.all), n_refills=int(whole.sum()))):
            toilets.append(toilet)
            used |= toilet.all
        else:
            unlike |= toilet.all
    left_out = _left_out(refills.volume_l, small=small, cut=cut, blurred=blurred, unlike=unlike, used=used)
    order = np.argsort([-t.full_near_l for t in toilets], kind="stable")
    return Resolved(toilets=tuple(toilets[k] for k in order), left_out=left_out)


def repeated(refills: Refills, reading: Reading) -> list[ToiletRefills]:
    """Return the groups of whole refills that repeat often enough to be a toilet's, whatever they are."""
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
    single_or_full = [group for group in range(groups.host.size) if group not in reduced_of.values()]
    found = [_one_toilet(modes, groups, group, reduced_of.get(group)) for group in single_or_full]
    return [group for group in found if group.all.sum() >= LEAST_FLUSHES]


def _one_toilet(modes: Modes, groups: Groups, full: int, reduced: int | None) -> ToiletRefills:
    host = groups.host[full]
    return ToiletRefills(
        full=groups.member == full,
        reduced=np.zeros(groups.member.size, bool) if reduced is None else groups.member == reduced,
        full_near_l=float(modes.volume_l[host]),
        reduced_near_l=float("nan") if reduced is None else float(modes.volume_l[groups.host[reduced]]),
        flow_lpm=float(modes.flow_lpm[host]),
    )


def _among_all(chosen: BoolArray, whole: BoolArray) -> BoolArray:
    """Return which of all refills are chosen, from which of the whole ones are."""
    which = np.zeros(whole.size, bool)
    which[whole] = chosen
    return which


def _left_out(
    volume_l: FloatArray, *, small: BoolArray, cut: BoolArray, blurred: BoolArray, unlike: BoolArray, used: BoolArray
) -> tuple[LeftOut, ...]:
    reasons = (
        (f"too small for a flush (below {SMALLEST_L:g} L)", small),
        ("cut by missing data or by an end of the record", cut),
        ("in intervals so long that one holds several uses", blurred),
        ("repeated, but hardly a toilet: seldom, in bursts or with little certainty", unlike),
        ("apart from every repeated volume: partial, mixed, or no flush", ~(small | cut | blurred | unlike | used)),
    )
    return tuple(
        LeftOut(reason=reason, n_events=int(which.sum()), volume_l=float(volume_l[which].sum()))
        for reason, which in reasons
        if which.any()
    )
