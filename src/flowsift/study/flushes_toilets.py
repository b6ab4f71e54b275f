"""Toilets: groups of repeated refills put together, and what does not count as a toilet left out with its reason."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.standards import figure
from flowsift.study.flushes_modes import Modes, Reading, find_modes
from flowsift.study.flushes_refills import STEADY, Refills
from flowsift.study.flushes_shape import COARSE_S
from flowsift.units import SECONDS_PER_MINUTE

SMALLEST_L = 2.0
"""Less than this is no flush (assumption: the smallest published reduced flush takes 3 L)."""

SMALLEST_FULL_L = 2.9
"""Less than this is no full flush (assumption: below the smallest published flush, 3 L, by a meter's error)."""

LEAST_FLUSHES, LEAST_SHARE, LEAST_SHARE_COARSE = 6, 0.05, 0.12
"""Refills, and share of the home's flushes, below which a group is no toilet of its own: on a coarse trace (`COARSE_S`)
fills of other fixtures are called flushes more often (held against training seeds)."""

LEAST_CLEAN_SHARE = 0.03
"""Share of a group's refills that are clean, below which nothing really repeats."""

REDUCED, MOST_REDUCED_COARSE = (0.40, 0.82), 0.69
"""Volume of a reduced flush as a share of the full one (published pairs: 0.8 of 1.6 and 1.1 of 1.6 gal, 3 of 6 L). On a
coarse trace (`COARSE_S`) a larger share is a flush with and without hands washed (held against training seeds)."""

BALANCED = 0.20
"""Least ratio of the numbers of a toilet's reduced and full flushes, either way."""

SAME_VALVE = 0.035
"""A toilet's full and reduced flush are filled by one valve: their flows differ by no more than this share."""

SHORT_CELLS, SHORT_FLOW = 2.5, (0.55, 1.1)
"""A refill shorter than so many intervals fills no cell or one: its flow reads low, as a share of the real one."""

WITH_OTHER_WATER, LITTLE_WATER_L = 1.4, 1.6
"""Largest ratio of a group that is another one's refills with other water in them to that one's volume, and what may
always be more [L] (assumption)."""

LOPSIDED = 0.40
"""A group that could be another's refills mixed or cut short is so if it has less than this share of its refills."""

HANDS_L = 1.5
"""On a coarse trace (`COARSE_S`) hands washed during or after a refill are one event with it: refills with up to so
much other water [L] may even be thrice as many as clean ones (assumption; held against training seeds)."""

HANDS_AFTER_S, HANDS_LPM = 20.0, 6.0
"""On a coarse trace, time from a flush to hands being washed [s], and the flow that they take [L/min] (assumptions): a
fast refill is nearly over by then, and shows its own flow."""

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
    rest = np.flatnonzero(~small & ~cut)
    modes = find_modes(
        refills.volume_l[rest],
        refills.flow_lpm[rest],
        volume_error_l=refills.volume_error_l[rest],
        flow_error=refills.flow_error[rest],
        reading=reading,
        shape=refills.shape.chosen(rest),
    )
    group = _groups(modes, reading)
    # A refill belongs to the toilet of its likeliest group.
    by_group = np.zeros((rest.size, int(group.max(initial=-1)) + 1))
    for k in range(len(modes)):
        by_group[:, group[k]] += modes.belongs[:, k]
    member = np.full(rest.size, -1)
    if by_group.shape[1]:
        member = np.where(by_group.sum(axis=1) >= 0.5, by_group.argmax(axis=1), -1)
    hosts = np.array([_host(modes, group, g) for g in range(by_group.shape[1])], dtype=np.int64)
    pairs = _dual(modes, hosts, by_group.sum(axis=0), reading)
    toilets: list[ToiletRefills] = []
    used, doubtful = np.zeros(rest.size, bool), np.zeros(rest.size, bool)
    sure = [
        refills.probability[rest[member == g]].mean() for g in range(hosts.size) if (member == g).sum() >= LEAST_FLUSHES
    ]
    surest = float(max(sure, default=0.0))
    coarse = reading.interval_s >= COARSE_S
    least = max(LEAST_FLUSHES, (LEAST_SHARE_COARSE if coarse else LEAST_SHARE) * rest.size)
    for g, host in enumerate(hosts.tolist()):
        if g in pairs.values():
            continue
        reduced = pairs.get(g, -1)
        mine = np.isin(member, [g, reduced] if reduced >= 0 else [g])
        clean = float(modes.clean[:, group == g].sum()) / max(float((member == g).sum()), 1.0)
        if mine.sum() < least or modes.volume_l[host] < SMALLEST_FULL_L or clean < LEAST_CLEAN_SHARE:
            continue
        if (
            refills.probability[rest[mine]].mean() < SURE * surest
            or _bursts(refills.start_s[rest[mine]], refills.end_s[rest[mine]]) > BURSTS
        ):
            doubtful |= mine
            continue
        used |= mine
        toilets.append(
            ToiletRefills(
                full=_spread(rest[member == g], len(refills)),
                reduced=_spread(rest[member == reduced] if reduced >= 0 else rest[:0], len(refills)),
                full_near_l=float(modes.volume_l[host]),
                reduced_near_l=float(modes.volume_l[hosts[reduced]]) if reduced >= 0 else float("nan"),
                flow_lpm=float(modes.flow_lpm[host]),
            )
        )
    apart = _spread(rest[~used & ~doubtful], len(refills))
    unlike = _spread(rest[doubtful], len(refills))
    reasons = (
        (f"too small for a flush (below {SMALLEST_L:g} L)", small),
        ("cut by missing data or by an end of the record", cut),
        ("repeated, but less like flushes than another fixture's fills (bursts, or little certainty)", unlike),
        ("apart from every repeated volume: partial, mixed, or no flush", apart),
    )
    left = tuple(
        LeftOut(reason=reason, n_events=int(which.sum()), volume_l=float(refills.volume_l[which].sum()))
        for reason, which in reasons
        if which.any()
    )
    order = np.argsort([-t.full_near_l for t in toilets], kind="stable")
    return Resolved(toilets=tuple(toilets[k] for k in order), left_out=left)


def _bursts(start_s: FloatArray, end_s: FloatArray) -> float:
    """Return the share of refills that begin soon after the one before has ended (sorted by start)."""
    if start_s.size < 2:
        return 0.0
    pause = start_s[1:] - np.maximum.accumulate(end_s)[:-1]
    return float(((pause >= 0.0) & (pause < BURST_S)).mean())


def _spread(rows: IntArray, n: int) -> BoolArray:
    which = np.zeros(n, bool)
    which[rows] = True
    return which


def _groups(modes: Modes, reading: Reading) -> IntArray:
    """Put modes that are another one's refills, mixed with other water or cut short, with that one; group numbers."""
    n = len(modes)
    size = modes.belongs.sum(axis=0)
    blur = reading.flow_share_sd(modes.volume_l, modes.flow_lpm)
    # A full and a reduced flush are weighed together, so that a toilet seldom used is not taken for another's refills.
    weight = size.copy()
    for full, reduced in _dual(modes, np.arange(n), size, reading).items():
        if min(size[full], size[reduced]) >= LEAST_FLUSHES:
            weight[[full, reduced]] = size[full] + size[reduced]
    owner, held = np.arange(n), size.copy()
    for k in np.argsort(modes.volume_l, kind="stable").tolist():
        best = np.inf
        for host in range(n):
            if host == k or owner[host] != host or modes.volume_l[host] == modes.volume_l[k]:
                continue
            ratio = modes.volume_l[k] / modes.volume_l[host]
            step = float(np.log(modes.flow_lpm[k] / modes.flow_lpm[host]))
            noise = SAME_VALVE + 1.5 * float(blur[min(host, k)])
            few = weight[k] < LOPSIDED * held[host]
            hands = modes.volume_l[k] - modes.volume_l[host] < HANDS_L and size[k] < 3.0 * held[host]
            many = hands and reading.interval_s >= COARSE_S
            more_l = modes.volume_l[k] - modes.volume_l[host]
            most = _most_on_top(modes, host, max(more_l, 0.0), reading)
            little = ratio < WITH_OTHER_WATER or more_l < LITTLE_WATER_L
            mixed = ratio > 1.0 and little and -noise < step < most + noise and (few or many)
            # A flush cut short: of a toilet too large for a reduced flush, or too near to its full one.
            no_dual = ratio > REDUCED[1] or modes.volume_l[host] > _largest_dual_l()
            # At low pressure the flow is lower too.
            slower = 1.5 * abs(float(np.log(ratio)))
            short = REDUCED[0] < ratio < 1.0 and no_dual and -noise - 0.03 - slower < step < noise + 0.03 and few
            # The same refill, whose cells fell so that its flow reads low.
            same = abs(more_l) < reading.pulse_l and size[k] < size[host] and _reads_low(modes, k, host, reading)
            if (mixed or short or same) and abs(np.log(ratio)) < best:
                best = abs(float(np.log(ratio)))
                owner[k] = host
        if owner[k] != k:
            held[owner[k]] += held[k]
    for _ in range(n):
        owner = owner[owner]
    _, group = np.unique(owner, return_inverse=True)
    return group.astype(np.int64)


def _most_on_top(modes: Modes, host: int, more_l: float, reading: Reading) -> float:
    """Return the largest log ratio of the flow of refills with so much other water [L] to that of clean ones.

    Water on top raises the volume alone, or also the flow: by what of it ran while the flow was read, and so took the
    place of the tank's water in that part of the volume.
    """
    on_top_l = more_l
    if reading.interval_s >= COARSE_S:
        read_s = STEADY[1] * modes.volume_l[host] / modes.flow_lpm[host] * SECONDS_PER_MINUTE
        on_top_l = min(more_l, HANDS_LPM * max(float(read_s) - HANDS_AFTER_S, 0.0) / SECONDS_PER_MINUTE)
    part = on_top_l / (modes.volume_l[host] + more_l) / (STEADY[1] - STEADY[0])
    return -float(np.log1p(-min(part, 0.9)))


def _reads_low(modes: Modes, k: int, fast: int, reading: Reading) -> bool:
    """Tell whether refills of mode `k` may come at the flow of mode `fast`, and are too short to show it."""
    lasts_s = modes.volume_l[k] / modes.flow_lpm[fast] * SECONDS_PER_MINUTE
    share = modes.flow_lpm[k] / modes.flow_lpm[fast]
    return bool(lasts_s < SHORT_CELLS * reading.interval_s and SHORT_FLOW[0] < share < SHORT_FLOW[1])


def _host(modes: Modes, group: IntArray, g: int) -> int:
    """Return the mode whose volume stands for a group: the smallest of those with a fair part of its refills."""
    mine = np.flatnonzero(group == g)
    size = modes.belongs[:, mine].sum(axis=0)
    fair = mine[size >= LOPSIDED * size.max()]
    return int(fair[np.argmin(modes.volume_l[fair])])


def _largest_dual_l() -> float:
    """Return the largest full flush of a dual-flush toilet as it may be set, with a margin for the meter [L]."""
    return 1.1 * figure("toilet.watersense_maximum_adjustable_flush_dual_flush_full").value_l


def _dual(modes: Modes, hosts: IntArray, size: FloatArray, reading: Reading) -> dict[int, int]:
    """Pair groups that are the full and the reduced flush of one toilet: full group to reduced group."""
    clean = modes.clean.sum(axis=0)
    blur = reading.flow_share_sd(modes.volume_l, modes.flow_lpm)
    most = MOST_REDUCED_COARSE if reading.interval_s >= COARSE_S else REDUCED[1]
    options = []
    for f, full in enumerate(hosts.tolist()):
        for r, reduced in enumerate(hosts.tolist()):
            ratio = modes.volume_l[reduced] / modes.volume_l[full]
            if not REDUCED[0] <= ratio <= most or modes.volume_l[full] > _largest_dual_l():
                continue
            if min(size[f], size[r]) < BALANCED * max(size[f], size[r]):
                continue
            step = abs(float(np.log(modes.flow_lpm[reduced] / modes.flow_lpm[full])))
            both = [full, reduced]
            known = np.hypot(modes.flow_spread[both], blur[both]) / np.sqrt(np.maximum(clean[both], 1.0))
            # On a coarse trace the flow of refills mixed with other water is too high: allow for a part of the blur.
            limit = SAME_VALVE + 2.0 * float(np.hypot(*known)) + float(blur[reduced]) * (reading.interval_s >= COARSE_S)
            if step < limit or _reads_low(modes, reduced, full, reading):
                options.append((step, f, r))
    pairs: dict[int, int] = {}
    for _, f, r in sorted(options):
        if not {f, r} & (pairs.keys() | set(pairs.values())):
            pairs[f] = r
    return pairs
