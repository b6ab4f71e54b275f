"""Which fixture each act of a person goes to."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from flowsift.households.occupants import Person, Visit
from flowsift.households.streams import stream

HAND_WASH_SHARE = (0.87, 0.55)
"""Share of toilet visits followed by washing hands, by day and by night (assumption)."""


@dataclass(frozen=True, kw_only=True)
class Rooms:
    """Names of the fixtures that people go to; a lavatory stands beside each toilet."""

    toilets: tuple[str, ...]
    lavatories: tuple[str, ...]
    showers: tuple[str, ...]
    tub: str | None
    kitchen: str
    utility: str | None


def assigned(visits: Sequence[Visit], rooms: Rooms, people: Sequence[Person], *, seed: int) -> dict[str, list[Visit]]:
    """Return the visits of each fixture, sorted by start; toilet visits bring a hand wash with them."""
    by_fixture: dict[str, list[Visit]] = {}
    own = {person.name: i for i, person in enumerate(people)}
    # One stream a fixture kind, so that a second tub or a sink changes no toilet visit.
    where, hands, bath = (stream(seed, "rooms", kind) for kind in ("where", "hands", "bath"))
    for visit in visits:
        first = own.get(visit.person, len(people))
        if visit.act in ("toilet", "teeth", "wash"):
            room = _room(first, len(rooms.toilets), visit.night, where)
            sink = rooms.lavatories[room % len(rooms.lavatories)]
            if visit.act != "toilet":
                by_fixture.setdefault(sink, []).append(visit)
                continue
            by_fixture.setdefault(rooms.toilets[room], []).append(visit)
            later, washes = float(hands.gamma(4.0, 6.0)), hands.random() < HAND_WASH_SHARE[visit.night]
            if washes:
                wash = replace(visit, act="wash", start_s=visit.start_s + 4.0 + later)
                by_fixture.setdefault(sink, []).append(wash)
        elif visit.act == "shower":
            name = rooms.showers[_room(first, len(rooms.showers), True, bath)]
            by_fixture.setdefault(name, []).append(visit)
        elif visit.act == "bath":
            name = rooms.tub or rooms.showers[0]
            by_fixture.setdefault(name, []).append(visit if rooms.tub else replace(visit, act="shower", minutes=8.0))
        elif visit.act == "clean" and rooms.utility:
            by_fixture.setdefault(rooms.utility, []).append(visit)
        else:
            by_fixture.setdefault(rooms.kitchen, []).append(visit)
    return {name: sorted(v, key=lambda x: x.start_s) for name, v in by_fixture.items()}


def _room(first: int, n: int, private: bool, rng: np.random.Generator) -> int:
    """Own bathroom mostly, at night nearly always; else any."""
    pick, other = rng.random(), int(rng.integers(n))
    return first % n if pick < (0.95 if private else 0.7) else other
