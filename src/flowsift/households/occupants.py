"""The people of a home: when they are there and awake, and what they do with water."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from flowsift.households.days import Days
from flowsift.households.streams import stream

Role = Literal["worker", "student", "child", "at_home", "retired", "night_worker"]

Act = Literal["toilet", "shower", "bath", "teeth", "wash", "drink", "kitchen", "meal", "clean"]

HOLIDAYS_PER_D, GUESTS_PER_D = 0.006, 0.02
"""Holidays and visits of guests that begin, a day."""


@dataclass(frozen=True, kw_only=True)
class Person:
    """One person and their habits.

    Attributes
    ----------
    name : str
        ``person-1`` ...
    role : str
    wake_h, sleep_h : float
        Usual local hours of rising and going to bed on a working day.
    late_h : float
        How much later both are on free days.
    out_h : tuple of float
        Usual (leave, return) hours on a working day; equal if the person stays.
    toilet_per_waking_h : float
        Toilet visits an hour at home and awake, beside the fixed ones.
    night_visits : float
        Toilet visits a night.
    showers_per_d, baths_per_d : float
    shower_at : {"morning", "evening"}
    shower_min : float
        Usual length of a shower [min].
    """

    name: str
    role: Role
    wake_h: float
    sleep_h: float
    late_h: float
    out_h: tuple[float, float]
    toilet_per_waking_h: float
    night_visits: float
    showers_per_d: float
    baths_per_d: float
    shower_at: Literal["morning", "evening"]
    shower_min: float


@dataclass(frozen=True, kw_only=True)
class Visit:
    """One act of one person that takes water."""

    act: Act
    start_s: float
    person: str
    minutes: float = 0.0
    persons: int = 1
    night: bool = False


@dataclass(frozen=True, kw_only=True)
class Absences:
    """Days on which nobody is home, and days with guests.

    Attributes
    ----------
    away : frozenset of int
        Days (from 0) without anybody.
    guests : dict of int to int
        Number of guests by day.
    """

    away: frozenset[int]
    guests: dict[int, int]


def absences(days: Days, rng: np.random.Generator) -> Absences:
    """Draw holidays of 2 to 12 days and visits of 1 to 3 days (assumption: three weeks away and some guests a year)."""
    away: set[int] = set()
    guests: dict[int, int] = {}
    for day in range(days.n):
        if rng.random() < HOLIDAYS_PER_D:
            away.update(range(day, day + int(rng.integers(2, 13))))
        if rng.random() < GUESTS_PER_D * (2.0 if days.weekday[day] >= 4 else 0.6):
            count = int(rng.integers(1, 4))
            for later in range(day, day + int(rng.integers(1, 4))):
                guests[later] = count
    inside = frozenset(day for day in away if day < days.n)
    return Absences(away=inside, guests={d: g for d, g in guests.items() if d < days.n and d not in inside})


def agenda(
    people: Sequence[Person], days: Days, *, seed: int, empty: Absences, kitchen_per_h: float, lavatory_per_h: float
) -> list[Visit]:
    """Return everything the people do with water, sorted by start.

    Parameters
    ----------
    people : sequence of Person
    days : Days
    seed : int
        Each person draws from a stream of their own.
    empty : Absences
    kitchen_per_h, lavatory_per_h : float
        Small draws an hour and person at home and awake.
    """
    visits: list[Visit] = []
    cook = people[0]
    for person in people:
        rng = stream(seed, "occupants", person.name)
        for day in range(days.n):
            if day not in empty.away:
                visits += _person_day(
                    person,
                    days,
                    day,
                    rng,
                    kitchen_per_h=kitchen_per_h,
                    lavatory_per_h=lavatory_per_h,
                    cooks=cook is person,
                    n_people=len(people),
                )
    rng = stream(seed, "occupants", "guests")
    for day, count in empty.guests.items():
        for i in range(count):
            guest = _guest(people[0], i, rng)
            visits += _person_day(
                guest,
                days,
                day,
                rng,
                kitchen_per_h=0.5 * kitchen_per_h,
                lavatory_per_h=lavatory_per_h,
                cooks=False,
                n_people=1,
            )
    return sorted((v for v in visits if 0 <= v.start_s < days.end_s), key=lambda v: (v.start_s, v.person, v.act))


def _guest(host: Person, i: int, rng: np.random.Generator) -> Person:
    return Person(
        name=f"guest-{i + 1}",
        role="at_home",
        wake_h=8.0 + float(rng.normal(0, 0.7)),
        sleep_h=23.2,
        late_h=0.3,
        out_h=(11.0, 17.0),
        toilet_per_waking_h=0.2,
        night_visits=0.4,
        showers_per_d=0.8,
        baths_per_d=0.0,
        shower_at="morning",
        shower_min=host.shower_min,
    )


def _person_day(
    person: Person,
    days: Days,
    day: int,
    rng: np.random.Generator,
    *,
    kitchen_per_h: float,
    lavatory_per_h: float,
    cooks: bool,
    n_people: int,
) -> list[Visit]:
    free = days.weekday[day] >= 5 and person.role != "retired"
    shift = person.late_h if free else 0.0
    wake = person.wake_h + shift + float(rng.normal(0.0, 0.3 + 0.3 * free))
    sleep = person.sleep_h + shift + float(rng.normal(0.0, 0.4))
    home = _presence(person, free, wake, sleep, rng)
    out: list[Visit] = []

    def add(act: Act, hour: float, *, minutes: float = 0.0, persons: int = 1, night: bool = False) -> None:
        if night or any(a - 0.02 <= hour <= b for a, b in home):
            start = days.at(day, hour) + float(rng.uniform(0, 60))
            out.append(Visit(act=act, start_s=start, person=person.name, minutes=minutes, persons=persons, night=night))

    # Fixed habits: after rising, before bed, before leaving, on coming home.
    risen = wake + float(rng.gamma(2.0, 0.035))
    if rng.random() < 0.92:
        add("toilet", risen)
    if rng.random() < 0.75:
        add("toilet", sleep - float(rng.uniform(0.02, 0.3)))
    for begin, end in home:
        if begin > wake + 0.2 and rng.random() < 0.55:
            add("toilet", begin + float(rng.uniform(0.02, 0.25)))
        if end < sleep - 0.2 and rng.random() < 0.35:
            add("toilet", end - float(rng.uniform(0.03, 0.2)))
        for hour in _poisson_times(rng, person.toilet_per_waking_h, begin, end):
            add("toilet", hour)
        for hour in _poisson_times(rng, kitchen_per_h, begin, end):
            add("kitchen" if rng.random() < 0.6 else "drink", hour)
        for hour in _poisson_times(rng, lavatory_per_h, begin, end):
            add("wash", hour)
    for _ in range(rng.poisson(person.night_visits)):
        add("toilet", sleep + float(rng.uniform(0.8, max(24.0 + wake - sleep - 0.5, 1.5))), night=True)
    if rng.random() < 0.9:
        add("teeth", risen + float(rng.uniform(0.1, 0.7)))
    if rng.random() < 0.85:
        add("teeth", sleep - float(rng.uniform(0.05, 0.4)))
    if person.role != "child" and rng.random() < 0.5:
        add("wash", risen + float(rng.uniform(0.1, 0.5)), minutes=1.0)
    out += _bathing(person, days, day, rng, home, risen, sleep)
    out += _kitchen(person, days, day, rng, home, risen, n_served=n_people if cooks else 0)
    return out


def _presence(
    person: Person, free: bool, wake: float, sleep: float, rng: np.random.Generator
) -> list[tuple[float, float]]:
    """Hours at home and awake."""
    leave, back = person.out_h
    if free or back - leave < 0.5:
        # One outing on most free days: errands, sport, visits.
        if rng.random() < 0.65:
            leave = float(rng.uniform(wake + 1.0, 17.0))
            back = leave + float(rng.gamma(2.0, 1.3))
        else:
            return [(wake, sleep)]
    else:
        leave, back = leave + float(rng.normal(0, 0.25)), back + float(rng.normal(0.2, 0.6))
    leave = max(leave, wake + 0.4)
    home = [(wake, leave)]
    if back < sleep - 0.3:
        if not free and rng.random() < 0.2 and sleep - back > 4.0:
            again = back + float(rng.uniform(1.0, 2.0))
            home += [(back, again), (again + 1.8, sleep)]
        else:
            home.append((back, sleep))
    return [(a, b) for a, b in home if b > a]


def _poisson_times(rng: np.random.Generator, per_h: float, begin: float, end: float) -> list[float]:
    n = rng.poisson(max(per_h * (end - begin), 0.0))
    return [float(h) for h in np.sort(rng.uniform(begin, end, n))]


def _bathing(
    person: Person,
    days: Days,
    day: int,
    rng: np.random.Generator,
    home: list[tuple[float, float]],
    risen: float,
    sleep: float,
) -> list[Visit]:
    out: list[Visit] = []
    morning = (person.shower_at == "morning") != (rng.random() < 0.12)
    hour = risen + float(rng.gamma(2.0, 0.15)) if morning else sleep - float(rng.uniform(0.4, 3.0))
    there = any(a <= hour <= b for a, b in home)
    if rng.random() < person.showers_per_d:
        # Who is out at the usual time showers at the nearest time at home.
        hour = hour if there else home[-1][0] + 0.3
        minutes = person.shower_min * float(rng.lognormal(0.0, 0.3))
        out.append(Visit(act="shower", start_s=days.at(day, hour), person=person.name, minutes=minutes))
    if rng.random() < person.baths_per_d:
        hour = float(rng.uniform(18.0, 20.0)) if person.role == "child" else float(rng.uniform(19.0, 22.0))
        out.append(Visit(act="bath", start_s=days.at(day, hour), person=person.name))
    return out


def _kitchen(
    person: Person,
    days: Days,
    day: int,
    rng: np.random.Generator,
    home: list[tuple[float, float]],
    risen: float,
    *,
    n_served: int,
) -> list[Visit]:
    out: list[Visit] = []
    meals = [(risen + float(rng.uniform(0.2, 0.7)), 1), (float(rng.normal(12.6, 0.5)), 1)]
    if n_served:
        meals.append((float(rng.normal(18.4, 0.7)), n_served))
        if days.weekday[day] == 5 and rng.random() < 0.7:
            out.append(Visit(act="clean", start_s=days.at(day, float(rng.uniform(9.5, 16.0))), person=person.name))
    for hour, persons in meals:
        if any(a <= hour <= b for a, b in home):
            out.append(Visit(act="meal", start_s=days.at(day, hour), person=person.name, persons=persons))
    return out
