"""Homes made for one question each: overlaps, a leak of known rate, everything wrong at once."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np

from flowsift.households.days import days_from
from flowsift.households.faults import HARSH
from flowsift.households.fixtures.leaks import Trickle
from flowsift.households.household import Household
from flowsift.households.population import Stock, draw_home
from flowsift.households.simulate import all_uses, run_uses, simulate
from flowsift.households.streams import stream
from flowsift.households.uses import Use
from flowsift.units import SECONDS_PER_DAY

_TOGETHER = ("flush", "shower", "faucet", "bathtub", "hose")
"""Labels of uses that are moved to run together (loads keep their programme)."""


def overlap_home(
    seed: int,
    *,
    days: int = 7,
    stock: Stock = "us",
    interval_s: float = 1.0,
    pulse_l: float = 0.03,
    groups_per_d: int = 12,
    start: str = "2024-03-04",
) -> Household:
    """Simulate a home in which two to four uses of different fixtures often run together.

    Parameters
    ----------
    seed : int
    days : int
    stock : {"us", "us-efficient", "europe"}
    interval_s, pulse_l : float
    groups_per_d : int
        Groups of uses that run together, a day; the ordinary uses of the home go on around them.
    start : str
        First day.
    """
    calendar = days_from(start, n=days, timezone="UTC")
    home = draw_home(seed, stock=stock, n_days=days, people=4, include=("bathtub", "second shower"))
    home = replace(home, meter=replace(home.meter, interval_s=interval_s, pulse_l=pulse_l), leaks=())
    uses = all_uses(home, calendar, seed=seed)
    rng = stream(seed, "overlap")
    by_fixture: dict[str, list[Use]] = {}
    for use in uses:
        if use.label in _TOGETHER and use.duration_s >= 4.0:
            by_fixture.setdefault(use.fixture, []).append(use)
    names = sorted(by_fixture)
    moved: list[Use] = []
    for day in range(days):
        hours = 7.0 + 16.0 * (np.arange(groups_per_d) + rng.uniform(0.1, 0.5, groups_per_d)) / groups_per_d
        for hour in hours:
            size = min(int(rng.integers(2, 5)), len(names))
            chosen = [by_fixture[names[int(i)]] for i in rng.choice(len(names), size=size, replace=False)]
            picked = [some[int(rng.integers(len(some)))] for some in chosen]
            longest = max(picked, key=lambda use: use.duration_s)
            begin = calendar.at(day, float(hour))
            for use in picked:
                late = 0.0 if use is longest else float(rng.uniform(0.0, 0.8)) * longest.duration_s
                moved.append(use.moved(begin + late))
    kept = [use for use in uses if not any(_collides(use, other) for other in moved)]
    card = {"stock": stock, "population": "standard", "focus": "overlap", "groups_per_d": groups_per_d}
    return run_uses(kept + moved, home, calendar, seed=seed, card=card)


def _collides(use: Use, other: Use) -> bool:
    """Whether two uses of one fixture run at once or nearly so."""
    if use.fixture != other.fixture:
        return False
    margin = 60.0 + 0.5 * max(use.duration_s, other.duration_s)
    return bool(
        use.start_s < other.start_s + other.duration_s + margin
        and other.start_s < use.start_s + use.duration_s + margin
    )


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
