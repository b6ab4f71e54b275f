"""Fixtures of an earlier answer found again, so that they keep their names."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np
import pandas as pd

from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.classify.modes import REPEAT_FLOW, REPEAT_VOLUME
from flowsift.classify.naming import free_name
from flowsift.errors import InputError
from flowsift.labels import LABELS

REPEATED = ("flush",)
"""Labels whose uses repeat their volume as well as their flow."""

RESOLVED = ("flush", "shower", "irrigation")
"""Labels with several fixtures in a home, of which one may be new."""

ANY_VOLUME, BY_HAND = 0.7, 0.10
"""Standard deviations, as shares, of the volume and the flow of uses of one tap or shower (assumption)."""

ALIKE = 3.0
"""A use is like an earlier one within so many standard deviations."""

MOST = 0.5
"""A fixture less than this share of whose uses is like an earlier one is new."""

NEIGHBOURS = 5
"""Earlier uses that vote on a use's fixture."""


@dataclass(frozen=True, kw_only=True, eq=False)
class KnownUses:
    """Uses of an earlier answer, one element a use.

    Attributes
    ----------
    label : ndarray of int64
        Index into `LABELS`.
    fixture : ndarray of str
    volume_l, mean_lpm : ndarray of float64
    """

    label: IntArray
    fixture: np.ndarray[tuple[int], np.dtype[np.object_]]
    volume_l: FloatArray
    mean_lpm: FloatArray

    @classmethod
    def of(cls, events: pd.DataFrame) -> KnownUses:
        """Take them from the table of events of an answer.

        Parameters
        ----------
        events : DataFrame
            Columns label, fixture, volume_l, mean_lpm, as `flowsift.Disaggregation.events` has them.

        Raises
        ------
        InputError
            If a column is missing, a label unknown or a number not above 0 (names the row, 0 = first, and the column).
        """
        for column in ("label", "fixture", "volume_l", "mean_lpm"):
            if column not in events:
                raise InputError(f"no such column; found {', '.join(map(str, events.columns))}", column=column)
        label = pd.Index(LABELS).get_indexer(pd.Index(events["label"])).astype(np.int64)
        _check_rows(label >= 0, events, "label", f"one of {', '.join(LABELS)}")
        volume, mean = (
            pd.to_numeric(events[column], errors="coerce").to_numpy(dtype=np.float64)
            for column in ("volume_l", "mean_lpm")
        )
        _check_rows(np.isfinite(volume) & (volume > 0), events, "volume_l", "a number above 0")
        _check_rows(np.isfinite(mean) & (mean > 0), events, "mean_lpm", "a number above 0")
        fixture = events["fixture"].astype(str).to_numpy(dtype=object)
        return cls(label=label, fixture=fixture, volume_l=volume, mean_lpm=mean)


def _check_rows(good: BoolArray, events: pd.DataFrame, column: str, expected: str) -> None:
    if not good.all():
        row = int(np.argmin(good))
        raise InputError(f"found {events[column].iloc[row]!r}, expected {expected}", row=row, column=column)


def recognised(
    names: list[str], label: IntArray, volume_l: FloatArray, mean_lpm: FloatArray, *, known: KnownUses
) -> list[str]:
    """Give uses the names that their fixtures had.

    Parameters
    ----------
    names : list of str, length n_uses
        Names found without an earlier answer.
    label : ndarray of int64, shape (n_uses,)
        Index into `LABELS`.
    volume_l, mean_lpm : ndarray, shape (n_uses,)
    known : KnownUses

    Returns
    -------
    list of str, length n_uses
        Each use has the name of the earlier uses of its label that it is most like; a fixture most of whose uses are
        unlike all of them gets a new number. Labels that were not seen before keep what they are called, or the next
        free number.
    """
    named = np.array(names, dtype=object)
    result = named.copy()
    taken = set(known.fixture.tolist())
    now: dict[str, str] = {}
    for code in np.unique(label).tolist():
        mine, before = np.flatnonzero(label == code), known.label == code
        alike = np.zeros(mine.size, dtype=np.bool_)
        if before.any():
            result[mine], alike = _voted(volume_l[mine], mean_lpm[mine], known, before, name=LABELS[code])
        for name in dict.fromkeys(named[mine]):
            group = mine[named[mine] == name]
            new = alike[named[mine] == name].mean() < MOST and LABELS[code] in RESOLVED
            if new or not before.any():
                # A leak that is new is at a toilet that may be known by its flushes.
                result[group] = now.get(name) or free_name(name, taken)
                taken.add(result[group[0]])
            now.setdefault(name, Counter(result[group]).most_common(1)[0][0])
    return [str(name) for name in result]


def _voted(
    volume_l: FloatArray, mean_lpm: FloatArray, known: KnownUses, before: BoolArray, *, name: str
) -> tuple[np.ndarray, BoolArray]:
    """Return the fixture that the most similar earlier uses had, and whether any of them is alike."""
    # Imported where an earlier answer is at hand: it takes a tenth of the time that all the rest takes to import.
    from scipy.spatial import KDTree

    spread = (REPEAT_VOLUME, REPEAT_FLOW) if name in REPEATED else (ANY_VOLUME, BY_HAND)
    fixture, code = np.unique(known.fixture[before].astype(str), return_inverse=True)
    earlier = np.log(np.column_stack([known.volume_l[before], known.mean_lpm[before]])) / spread
    n = min(NEIGHBOURS, len(earlier))
    query = np.log(np.column_stack([volume_l, mean_lpm])) / spread
    away, near = (np.asarray(part) for part in KDTree(earlier).query(query, k=range(1, n + 1)))
    # Beyond what is alike all count the same, so that a use unlike all others goes to the majority near it.
    weight = np.exp(-0.5 * np.minimum(away, ALIKE) ** 2)
    votes = np.zeros((volume_l.size, fixture.size))
    np.add.at(votes, (np.arange(volume_l.size)[:, None], code[near]), weight)
    return fixture[votes.argmax(axis=1)].astype(object), np.asarray(away[:, 0] <= ALIKE)
