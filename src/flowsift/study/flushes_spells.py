"""When a flapper leaked: its refills come one after another, and what was taken for one now and then is left out.

Draws of a like volume carry the name of such a refill now and then, for weeks before a leak and after it. So a leak is
dated by the spells in which refills follow one another at their usual pace.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.units import SECONDS_PER_DAY

PAUSE_WAITS, PAUSE_S = 10.0, 3 * 3600.0
"""A time without a refill that is longer than so many usual waits, and than this [s], ends a spell (assumption: heavy
use hides a few refills on end, a coarse trace some more)."""

SPELL_REFILLS = 6
"""Refills that make a spell (assumption: a few draws that look like one follow each other by chance)."""

SPELL_PACE = 4.5
"""A spell's waits are at most so many times the usual one (assumption: a flapper seats itself anew at each flush)."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Spells:
    """When a flapper leaked.

    Attributes
    ----------
    member : ndarray of int64, shape (n,)
        Refills that are of a spell, by their place among all, increasing; all of them where nothing makes a spell.
    span_s : ndarray, shape (n_spans, 2)
        Start and stop of each time in which it went on [s]: spells with less than a day between them are one, since a
        loss a day is a mean over whole days. The stop is one wait after the last refill, or the record's end.
    ongoing : bool
        The record ended no longer after the last refill than the leak had paused before.
    """

    member: IntArray
    span_s: FloatArray
    ongoing: bool

    @property
    def went_on_s(self) -> float:
        """How long it went on in all [s]."""
        return float((self.span_s[:, 1] - self.span_s[:, 0]).sum())

    @property
    def lasted_s(self) -> float:
        """The same, at least a day [s]: what a loss a day is a mean over."""
        return max(self.went_on_s, SECONDS_PER_DAY)


def spells_of(start_s: FloatArray, *, end_s: float) -> Spells:
    """Tell when a flapper leaked.

    Parameters
    ----------
    start_s : ndarray, shape (n,)
        Starts of the refills since the start of the record [s], increasing, n >= 1.
    end_s : float
        End of the record [s].

    Returns
    -------
    Spells
    """
    wait_s = np.diff(start_s)
    usual_s = float(np.median(wait_s)) if wait_s.size else 0.0
    pause_s = max(PAUSE_WAITS * usual_s, PAUSE_S)
    runs = np.split(np.arange(start_s.size), np.flatnonzero(wait_s > pause_s) + 1)
    spells = [
        run for run in runs if run.size >= SPELL_REFILLS and np.median(np.diff(start_s[run])) <= SPELL_PACE * usual_s
    ]
    member = np.concatenate(spells or runs).astype(np.int64)
    at_s = start_s[member]
    wait_s = np.diff(at_s)
    apart = wait_s > max(pause_s, SECONDS_PER_DAY)
    ongoing = end_s - at_s[-1] <= max(pause_s, wait_s[~apart].max(initial=0.0))
    stop_s = np.minimum(np.append(at_s[:-1][apart], at_s[-1]) + usual_s, end_s)
    if ongoing:
        stop_s[-1] = end_s
    first_s = np.append(at_s[0], at_s[1:][apart])
    return Spells(member=member, span_s=np.column_stack([first_s, stop_s]), ongoing=bool(ongoing))
