"""What replacing a toilet would save in a year, with the assumptions in view.

The yearly use of a toilet is its volume per flush times flushes a day times days (toilet equation, figure
``toilet.toilet_equation``); the saving is the difference between two toilets at the same number of flushes. Volume and
number are known within bounds: other months hold other numbers of flushes, and some of the record's were mixed with
other water beyond recognition.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift.standards import figure
from flowsift.standards.conversion import DAYS_PER_YEAR
from flowsift.study.flushes_volume import Z

REPLACEMENT = "toilet.flush_limit_high_efficiency.gal_per_flush"
"""Key of the figure that a replacement is taken to use: the high-efficiency limit."""


@dataclass(frozen=True, kw_only=True)
class Saving:
    """Yearly saving of a replacement.

    Attributes
    ----------
    per_year_l, low_l, high_l : float
        Saving and its 90 % interval, that of the volume and of the number of flushes [L a year]; 0 where the toilet
        takes no more than the replacement.
    replacement_l : float
        Volume per flush of the replacement [L].
    assumptions : tuple of str
        What the figure rests on.
    """

    per_year_l: float
    low_l: float
    high_l: float
    replacement_l: float
    assumptions: tuple[str, ...]


def replacement_l() -> float:
    """Return the volume per flush that a replacement is taken to use [L]."""
    return figure(REPLACEMENT).value_l


def yearly_l(volume_l: float, *, flushes_per_day: float) -> float:
    """Return a toilet's yearly use [L]."""
    return volume_l * flushes_per_day * DAYS_PER_YEAR


def replacement_saving(
    volume_l: float,
    low_l: float,
    high_l: float,
    *,
    flushes_per_day: float,
    n_flushes: float = np.inf,
    n_left_out: float = 0.0,
    new_l: float | None = None,
) -> Saving:
    """Estimate the yearly saving of a replacement.

    Parameters
    ----------
    volume_l, low_l, high_l : float
        Mean volume of a flush of the toilet in place and its interval [L]; for a dual flush the mean of its flushes.
    flushes_per_day : float
    n_flushes : float
        Flushes, above 0, from which that was counted: another record of the same length holds as many within their root
        (Poisson); infinite where it is known exactly.
    n_left_out : float
        Events called flushes that were counted for no toilet and may be flushes of this one.
    new_l : float, optional
        Volume per flush of the replacement [L]; that of `REPLACEMENT` if not given.
    """
    record = figure(REPLACEMENT)
    new = record.value_l if new_l is None else new_l
    saved_l = max(volume_l - new, 0.0)
    by_chance, left_out = Z / np.sqrt(n_flushes), n_left_out / n_flushes
    # What volume and number may be off adds up as independent errors do.
    below = np.hypot(volume_l - low_l, saved_l * by_chance)
    above = np.hypot(high_l - volume_l, saved_l * np.hypot(by_chance, left_out))
    values = [
        max(yearly_l(float(each), flushes_per_day=flushes_per_day), 0.0)
        for each in (volume_l - new, volume_l - new - below, volume_l - new + above)
    ]
    named = f"{record.value:g} gal a flush ({record.source.title})" if new_l is None else "the volume given"
    return Saving(
        per_year_l=values[0],
        low_l=values[1],
        high_l=values[2],
        replacement_l=new,
        assumptions=(
            f"the replacement takes {named}, every flush",
            "as many flushes as in this record, every day of the year; the interval allows for chance in their number, "
            "and for those that were left out",
            "the new toilet needs no second flush where the old one needed none",
            "leaks of the old toilet are not counted",
        ),
    )
