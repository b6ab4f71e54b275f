"""Homes made for one question each: overlaps, a leak of known rate, everything wrong at once."""

from __future__ import annotations

from typing import Any

import numpy as np

from flowsift.households.faults import HARSH
from flowsift.households.fixtures.leaks import Trickle
from flowsift.households.household import Household
from flowsift.households.simulate import simulate
from flowsift.households.streams import stream
from flowsift.units import SECONDS_PER_DAY


def overlap_home(seed: int, *, days: int = 7, groups_per_d: int = 12, **options: Any) -> Household:
    """Simulate a home of four people in which two to four uses of different fixtures often run together.

    Parameters
    ----------
    seed : int
    days : int
    groups_per_d : int
        Groups of uses that run together, a day; the ordinary uses of the home go on around them.
    **options
        Passed to `simulate`, over the choices made here.

    Examples
    --------
    >>> from flowsift.households import overlap_home
    >>> bool(overlap_home(2, days=1).truth.events["overlaps"].mean() > 0.2)
    True
    """
    chosen: dict[str, Any] = {
        "people": 4,
        "include": ("bathtub", "second shower"),
        "leaks": (),
        "together_per_d": groups_per_d,
    }
    return simulate(seed, days=days, **{**chosen, **options})


def leak_home(
    seed: int,
    *,
    rate_lpm: float,
    days: int = 14,
    from_day: float = 0.0,
    to_day: float | None = None,
    growth_per_d: float = 0.0,
    starting_lpm: float = 0.0,
    **options: Any,
) -> Household:
    """Simulate a home with one constant leak of known rate, or with none.

    Parameters
    ----------
    seed : int
    rate_lpm : float
        Rate at its start [L/min]; 0 for a tight home.
    days : int
    from_day, to_day : float
        Start and repair, in days since the start; no repair if `to_day` is None.
    growth_per_d : float
        Relative growth a day.
    starting_lpm : float
        Starting flow of the meter [L/min]; 0 sees every drop.
    **options
        Passed to `simulate`; the home has no worn flapper unless asked for.

    Examples
    --------
    >>> from flowsift.households import leak_home
    >>> leak_home(2, rate_lpm=0.1, days=1).truth.trickle["rate_lpm"].tolist()
    [0.1]
    """
    leaks: tuple[Trickle, ...] = ()
    if rate_lpm > 0:
        leaks = (
            Trickle(
                rate_lpm=rate_lpm,
                from_s=from_day * SECONDS_PER_DAY,
                to_s=(days if to_day is None else to_day) * SECONDS_PER_DAY,
                growth_per_d=growth_per_d,
            ),
        )
    if "worn flapper" not in options.get("include", ()):
        options["exclude"] = (*options.get("exclude", ()), "worn flapper")
    return simulate(seed, days=days, leaks=leaks, starting_lpm=starting_lpm, **options)


def hard_home(seed: int, *, days: int = 14, **options: Any) -> Household:
    """Simulate a home with everything wrong at once: a bad logger, a worn flapper, a growing leak, many people.

    Parameters
    ----------
    seed : int
        Even seeds give the standard population, odd ones the shifted one.
    days : int
    **options
        Passed to `simulate`, over the choices made here.

    Examples
    --------
    >>> from flowsift.households import hard_home
    >>> hard_home(2, days=1).trace.gap_s > 0
    True
    """
    rng = stream(seed, "hard")
    leak = Trickle(
        rate_lpm=round(float(np.exp(rng.uniform(np.log(0.01), np.log(0.4)))), 4),
        from_s=float(rng.uniform(0.1, 0.6)) * days * SECONDS_PER_DAY,
        to_s=days * SECONDS_PER_DAY,
        growth_per_d=0.03,
    )
    chosen: dict[str, Any] = {
        "population": "shifted" if seed % 2 else "standard",
        "people": int(rng.integers(3, 7)),
        "include": ("worn flapper", "irrigation", "broken head", "softener", "ice maker"),
        "leaks": (leak,),
        "faults": HARSH,
    }
    return simulate(seed, days=days, **{**chosen, **options})
