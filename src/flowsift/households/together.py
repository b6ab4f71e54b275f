"""Moves uses of a home together, so that two to four fixtures run at once far more often than by chance."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from flowsift.households.days import Days
from flowsift.households.uses import Use

MOVED_LABELS = ("flush", "shower", "faucet", "bathtub", "hose")
"""Labels of uses that are moved to run together (loads keep their programme)."""

SHORTEST_S = 4.0
"""Uses shorter than this are not moved [s]."""


def moved_together(uses: Sequence[Use], days: Days, *, groups_per_d: int, rng: np.random.Generator) -> list[Use]:
    """Return the uses with groups of two to four that run together added, and what those displace taken out.

    Parameters
    ----------
    uses : sequence of Use
        All uses of a home; each group is made of copies of uses of different fixtures, at a new time.
    days : Days
    groups_per_d : int
        Groups a day, between 7 and 23 o'clock.
    rng : Generator
    """
    by_fixture: dict[str, list[Use]] = {}
    for use in uses:
        if use.label in MOVED_LABELS and use.duration_s >= SHORTEST_S:
            by_fixture.setdefault(use.fixture, []).append(use)
    names = sorted(by_fixture)
    if len(names) < 2:
        return list(uses)
    moved: list[Use] = []
    for day in range(days.n):
        for hour in 7.0 + 16.0 * (np.arange(groups_per_d) + rng.uniform(0.1, 0.5, groups_per_d)) / groups_per_d:
            size = min(int(rng.integers(2, 5)), len(names))
            chosen = [by_fixture[names[int(i)]] for i in rng.choice(len(names), size=size, replace=False)]
            picked = [some[int(rng.integers(len(some)))] for some in chosen]
            longest = max(picked, key=lambda use: use.duration_s)
            begin = days.at(day, float(hour))
            for use in picked:
                late = 0.0 if use is longest else float(rng.uniform(0.0, 0.8)) * longest.duration_s
                new = use.moved(begin + late)
                if not any(_collide(new, other) for other in moved[-8:]):
                    moved.append(new)
    kept = [use for use in uses if not any(_collide(use, other) for other in moved)]
    return kept + moved


def _collide(use: Use, other: Use) -> bool:
    """Whether two uses of one fixture run at once or nearly so."""
    if use.fixture != other.fixture:
        return False
    margin = 60.0 + 0.5 * max(use.duration_s, other.duration_s)
    first, second = (use, other) if use.start_s <= other.start_s else (other, use)
    return bool(second.start_s < first.start_s + first.duration_s + margin)
