"""What replacing a toilet would save in a year, with the assumptions in view.

The yearly use of a toilet is its volume per flush times flushes a day times days (toilet equation, figure
``toilet.toilet_equation``); the saving is the difference between two toilets at the same number of flushes.
"""

from __future__ import annotations

from dataclasses import dataclass

from flowsift.standards import figure
from flowsift.standards.conversion import DAYS_PER_YEAR

REPLACEMENT = "toilet.flush_limit_high_efficiency.gal_per_flush"
"""Key of the figure that a replacement is taken to use: the high-efficiency limit."""


@dataclass(frozen=True, kw_only=True)
class Saving:
    """Yearly saving of a replacement.

    Attributes
    ----------
    per_year_l, low_l, high_l : float
        Saving and its 90 % interval [L a year]; 0 where the toilet takes no more than the replacement.
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
    volume_l: float, low_l: float, high_l: float, *, flushes_per_day: float, new_l: float | None = None
) -> Saving:
    """Estimate the yearly saving of a replacement.

    Parameters
    ----------
    volume_l, low_l, high_l : float
        Mean volume of a flush of the toilet in place and its interval [L]; for a dual flush the mean of its flushes.
    flushes_per_day : float
    new_l : float, optional
        Volume per flush of the replacement [L]; that of `REPLACEMENT` if not given.
    """
    record = figure(REPLACEMENT)
    new = record.value_l if new_l is None else new_l
    values = [max(yearly_l(v - new, flushes_per_day=flushes_per_day), 0.0) for v in (volume_l, low_l, high_l)]
    named = f"{record.value:g} gal a flush ({record.source.title})" if new_l is None else "the volume given"
    return Saving(
        per_year_l=values[0],
        low_l=values[1],
        high_l=values[2],
        replacement_l=new,
        assumptions=(
            f"the replacement takes {named}, every flush",
            "as many flushes as in this record, every day of the year",
            "the new toilet needs no second flush where the old one needed none",
            "leaks of the old toilet are not counted",
        ),
    )
