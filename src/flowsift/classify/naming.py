"""Names of fixtures: events of one label resolved into toilets, zones and machines."""

from __future__ import annotations

import re

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.labels import FIXTURE_STEM, LABELS
from flowsift.standards import figure

SAME_VOLUME = 0.07
"""Two modes of flushes whose volumes differ by less than this share, at about one flow, are one (twice the spread of a
refill, `modes.REPEAT_VOLUME`)."""

SAME_FLOW = 0.12
"""Flows that differ by less than this share may be one toilet's, at another pressure (assumption)."""

LEVER_FLOW = 0.16
"""Flows of a toilet's full and reduced flush differ by less than this share: while the bowl fills too, which is longer
after a full flush, the flow is a little higher (assumption)."""

REDUCED = (0.40, 0.80)
"""Volume of a reduced flush as a share of the full one (dual-flush figures: 0.8 to 1.1 against 1.28 to 1.6 gal)."""

DUAL_FULL_FIGURE = "toilet.watersense_maximum_adjustable_flush_dual_flush_full"
"""The largest full flush of a dual-flush toilet, however it is adjusted. Older toilets take more and have one lever."""

LEAST_FLUSHES = (6, 0.05)
"""Flushes that make a toilet of a mode: this many, and this share of all flushes (assumption)."""

RARE = 0.25
"""A fixture used less than this share as often as the most used one of its label is numbered after the others: what
comes and goes with the days that are looked at must not move the names of the rest (assumption)."""

APART_FLOW = 4.0
"""Distance of the mean log flows of two showers, in standard deviations (the D of Ashman, Bird & Zepf 1994, from
memory, who ask for 2 where a mixture is fitted; a cut through one spread gives up to 3.5)."""

LEAST_SHOWERS = (4, 0.1)
"""Showers that make a fixture: this many, and this share of all."""

LEAST_SPREAD = 0.03
"""Least standard deviation of one shower's log flow (assumption: a hand finds a setting again no closer)."""

FLOW_STEP = 0.15
"""Sorted flows that differ by more than this share from one to the next belong to different valves."""


def name_fixtures(label: IntArray, mode: IntArray, volume_l: FloatArray, flow_lpm: FloatArray) -> list[str]:
    """Name the fixture of each event.

    Toilets, showers and irrigation zones are numbered by falling flow, rarely used ones after the others, so that
    most names are the same in other periods of one home. A home has one washer of a kind: its hot and its cold valve
    have flows of their own.

    Parameters
    ----------
    label : ndarray of int64, shape (n_events,)
        Index into `LABELS`.
    mode : ndarray of int64, shape (n_events,)
        Mode of the home model, -1 for none.
    volume_l, flow_lpm : ndarray, shape (n_events,)

    Returns
    -------
    list of str, length n_events
    """
    number = np.ones(label.size, dtype=np.int64)
    flush, shower, zone = (np.flatnonzero(label == LABELS.index(name)) for name in ("flush", "shower", "irrigation"))
    for mine, fixture in (
        (flush, _toilets(mode[flush], volume_l[flush], flow_lpm[flush])),
        (shower, _by_hand(flow_lpm[shower])),
        (zone, _valves(flow_lpm[zone])),
    ):
        number[mine] = _numbered(fixture, flow_lpm[mine])
    leak = np.flatnonzero(label == LABELS.index("toilet_leak"))
    number[leak] = _leaking(flow_lpm[leak], number[flush], flow_lpm[flush])
    return [f"{FIXTURE_STEM[LABELS[k]]}-{n}" for k, n in zip(label.tolist(), number.tolist(), strict=True)]


def _numbered(fixture: IntArray, flow_lpm: FloatArray) -> IntArray:
    """Number fixtures from 1 by falling flow, rare ones last."""
    name, place, uses = np.unique(fixture, return_inverse=True, return_counts=True)
    flow = np.array([np.median(flow_lpm[place == k]) for k in range(name.size)])
    rare = uses < RARE * uses.max(initial=0)
    number = np.empty(name.size, dtype=np.int64)
    number[np.lexsort((-flow, np.where(rare, -uses, 0), rare))] = np.arange(1, name.size + 1)
    return number[place]


def _leaking(flow_lpm: FloatArray, toilet: IntArray, toilet_lpm: FloatArray) -> int:
    """Return the toilet whose valve has about the flow of a leak's refills, 1 where none is known.

    All are one toilet's (assumption): two that leak at once are rarer than a refill whose flow reads amiss.
    """
    known = np.unique(toilet)
    if known.size == 0 or flow_lpm.size == 0:
        return 1
    usual = np.array([np.median(toilet_lpm[toilet == name]) for name in known])
    return int(known[np.abs(np.log(usual / np.median(flow_lpm))).argmin()])


def _toilets(mode: IntArray, volume_l: FloatArray, flow_lpm: FloatArray) -> IntArray:
    """Tell the toilets of flushes apart."""
    known = _kinds_of_flush(mode, volume_l, flow_lpm)
    if not known:
        return np.zeros(mode.size, dtype=np.int64)
    volume = np.array([np.median(volume_l[member]) for member in known])
    flow = np.array([np.median(flow_lpm[member]) for member in known])
    toilet = _full_and_reduced(volume, flow)
    # Flushes of no kind (partial, or hidden among other uses) go to the toilet of the nearest flow and volume.
    away = (np.log(flow_lpm[:, None] / flow) / SAME_FLOW) ** 2 + np.log(volume_l[:, None] / volume) ** 2
    number = toilet[away.argmin(axis=1)]
    for k, member in enumerate(known):
        number[member] = toilet[k]
    return np.asarray(number, dtype=np.int64)


def _kinds_of_flush(mode: IntArray, volume_l: FloatArray, flow_lpm: FloatArray) -> list[BoolArray]:
    """Return the members of each kind of flush that repeats often enough, modes that are nearly one taken together."""
    names, count = np.unique(mode[mode >= 0], return_counts=True)
    kinds: list[BoolArray] = []
    for name in names[np.argsort(-count, kind="stable")]:
        member = mode == name
        volume, flow = np.median(volume_l[member]), np.median(flow_lpm[member])
        for k, other in enumerate(kinds):
            near = abs(np.log(volume / np.median(volume_l[other]))) < SAME_VOLUME
            if near and abs(np.log(flow / np.median(flow_lpm[other]))) < SAME_FLOW:
                kinds[k] = other | member
                break
        else:
            kinds.append(member)
    enough = max(LEAST_FLUSHES[0], LEAST_FLUSHES[1] * mode.size)
    return [member for member in kinds if member.sum() >= enough]


def _full_and_reduced(volume_l: FloatArray, flow_lpm: FloatArray) -> IntArray:
    """Return the toilet of each kind of flush; a reduced flush is with its full one."""
    dual_l = figure(DUAL_FULL_FIGURE).value_l
    full: list[int] = []
    taken: set[int] = set()
    toilet = np.zeros(volume_l.size, dtype=np.int64)
    for k in np.argsort(-volume_l, kind="stable").tolist():
        hosts = [
            t
            for t, f in enumerate(full)
            if t not in taken
            and volume_l[f] <= dual_l
            and abs(np.log(flow_lpm[k] / flow_lpm[f])) < LEVER_FLOW
            and REDUCED[0] <= volume_l[k] / volume_l[f] <= REDUCED[1]
        ]
        if hosts:
            host = min(hosts, key=lambda t: abs(np.log(flow_lpm[k] / flow_lpm[full[t]])))
            taken.add(host)
            toilet[k] = host
        else:
            toilet[k] = len(full)
            full.append(k)
    return toilet


def _by_hand(flow_lpm: FloatArray) -> IntArray:
    """Tell fixtures that a hand sets apart, where their flows fall into groups well apart."""
    order = np.argsort(flow_lpm, kind="stable")
    return _split(order, np.isin(np.arange(1, flow_lpm.size), _cuts(np.log(flow_lpm[order]), 0)))


def _cuts(values: FloatArray, offset: int) -> list[int]:
    """Return the places at which sorted values fall into groups well apart."""
    n = values.size
    least = int(np.ceil(max(LEAST_SHOWERS[0], LEAST_SHOWERS[1] * n)))
    places = np.arange(least, n - least + 1)
    if places.size == 0:
        return []
    # The cut that leaves the least scatter within the two groups is the one with the most between them.
    upto = np.cumsum(values - values.mean())[places - 1]
    cut = int(places[(upto**2 * (1 / places + 1 / (n - places))).argmax()])
    left, right = values[:cut], values[cut:]
    spread = np.hypot(max(left.std(), LEAST_SPREAD), max(right.std(), LEAST_SPREAD)) / np.sqrt(2.0)
    if abs(left.mean() - right.mean()) < APART_FLOW * spread:
        return []
    return [*_cuts(left, offset), offset + cut, *_cuts(right, offset + cut)]


def _valves(flow_lpm: FloatArray) -> IntArray:
    """Tell valves apart at each wide step of the sorted flows."""
    order = np.argsort(flow_lpm, kind="stable")
    return _split(order, np.diff(np.log(flow_lpm[order])) > FLOW_STEP)


def _split(order: IntArray, step: BoolArray) -> IntArray:
    """Return the group of each event, given which of those in order begin another."""
    group = np.zeros(order.size, dtype=np.int64)
    group[order[1:]] = np.cumsum(step)
    return group


def free_name(name: str, taken: set[str]) -> str:
    """Return a fixture's name as it is if no other has it, else with the next free number: ``toilet-3``."""
    if name not in taken:
        return name
    stem = re.sub(r"-\d+$", "", name)
    numbers = [int(found[1]) for other in taken if (found := re.fullmatch(re.escape(stem) + r"-(\d{1,9})", other))]
    return f"{stem}-{max(numbers, default=0) + 1}"
