"""Another way to live: people who come and go in stays, with acts spaced by waiting times rather than by the clock."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from flowsift.households.days import Days
from flowsift.households.occupants import Absences, Act, Person, Visit
from flowsift.households.streams import stream

SPACING_H: dict[Act, tuple[float, float]] = {
    # Mean hours at home and awake between two acts, and the shape of the gamma law (higher is more regular).
    # Assumptions, set so that flushes come near 5 a person and day (REU v2, 2016).
    "toilet": (2.7, 3.5),
    "drink": (3.2, 1.0),
    "wash": (3.5, 1.2),
}


def shifted_agenda(
    people: Sequence[Person], days: Days, *, seed: int, empty: Absences, kitchen_per_h: float, lavatory_per_h: float
) -> list[Visit]:
    """Return everything the people do with water, sorted by start (see `flowsift.households.occupants.agenda`).

    Each person alternates between sleep, stays at home and outings of random length; acts follow one another with
    gamma-distributed waits of time at home. Meals are cooked when two stays overlap a meal hour.
    """
    visits: list[Visit] = []
    for i, person in enumerate(people):
        rng = stream(seed, "shifted", person.name)
        stays = [s for s in _stays(person, days, rng) if _day(days, s[0]) not in empty.away]
        for begin, end in stays:
            visits += _acts(person, begin, end, rng, kitchen_per_h, lavatory_per_h)
            visits += _bathing(person, begin, end, rng)
        if i == 0:
            visits += _meals(person, days, stays, len(people), rng)
    return sorted((v for v in visits if 0 <= v.start_s < days.end_s), key=lambda v: (v.start_s, v.person, v.act))


def _day(days: Days, second: float) -> int:
    return int(np.clip(np.searchsorted(days.midnight_s, second, side="right") - 1, 0, days.n - 1))


def _stays(person: Person, days: Days, rng: np.random.Generator) -> Iterator[tuple[float, float]]:
    """Spans at home and awake [s]; a night worker sleeps by day."""
    for day in range(days.n):
        wake = person.wake_h + float(rng.normal(0.0, 0.5))
        awake_h = float(np.clip(rng.normal(16.0, 0.8), 12.0, 19.0))
        now, sleep = wake, wake + awake_h
        out_left = float(rng.gamma(3.0, 2.2)) if rng.random() < 0.75 else 0.0
        if person.role in ("at_home", "retired"):
            out_left *= 0.35
        while now < sleep - 0.1:
            stay = min(float(rng.gamma(1.6, 1.9)) + 0.4, sleep - now)
            yield days.at(day, now), days.at(day, now + stay)
            now += stay
            if out_left > 0.3:
                outing = min(float(rng.gamma(2.0, 0.5 * out_left)) + 0.3, out_left + 0.3)
                out_left -= outing
                now += outing


def _acts(
    person: Person, begin: float, end: float, rng: np.random.Generator, kitchen_per_h: float, lavatory_per_h: float
) -> list[Visit]:
    out: list[Visit] = []
    pace: dict[Act, float] = {"toilet": 1.0, "drink": 1.7 * kitchen_per_h, "wash": 5.0 * lavatory_per_h}
    for act, (mean_h, regular) in SPACING_H.items():
        wait_h = mean_h / max(pace[act], 0.2)
        # Coming home or rising brings the first act forward.
        now = begin + 3600.0 * wait_h * float(rng.gamma(regular, 1 / regular)) * float(rng.random()) * 0.7
        while now < end:
            out.append(Visit(act=act, start_s=now, person=person.name))
            now += 3600.0 * wait_h * float(rng.gamma(regular, 1 / regular))
    if rng.random() < 0.35:
        out.append(Visit(act="teeth", start_s=end - float(rng.uniform(60.0, 900.0)), person=person.name))
    return out


def _bathing(person: Person, begin: float, end: float, rng: np.random.Generator) -> list[Visit]:
    # Two or three stays a day: the share of each adds up to the daily habit.
    if rng.random() < person.showers_per_d * (end - begin) / 32_400.0:
        minutes = person.shower_min * float(rng.gamma(5.0, 0.2))
        start = begin + float(rng.uniform(0.05, 0.95)) * (end - begin)
        return [Visit(act="shower", start_s=start, person=person.name, minutes=minutes)]
    if rng.random() < person.baths_per_d * (end - begin) / 32_400.0:
        return [Visit(act="bath", start_s=begin + 0.6 * (end - begin), person=person.name)]
    return []


def _meals(
    person: Person, days: Days, stays: Sequence[tuple[float, float]], n_people: int, rng: np.random.Generator
) -> list[Visit]:
    out: list[Visit] = []
    for begin, end in stays:
        day = _day(days, begin)
        for hour, persons in ((9.5, 1), (14.3, n_people), (21.2, n_people)):
            start = days.at(day, hour + float(rng.normal(0.0, 0.5)))
            if begin <= start < end:
                out.append(Visit(act="meal", start_s=start, person=person.name, persons=persons))
        if rng.random() < 0.05:
            start = begin + float(rng.uniform(0.0, 0.8)) * (end - begin)
            out.append(Visit(act="clean", start_s=start, person=person.name))
    return out
