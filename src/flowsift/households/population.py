"""Draws a home: its people, fixtures, plumbing and meter."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from flowsift.households.fixtures.appliances import draw_clothes_washer, draw_dishwasher
from flowsift.households.fixtures.base import SimulatedFixture
from flowsift.households.fixtures.bathing import draw_bathtub, draw_shower
from flowsift.households.fixtures.faucets import draw_faucet
from flowsift.households.fixtures.irrigation import draw_controller
from flowsift.households.fixtures.leaks import Trickle, draw_trickles
from flowsift.households.fixtures.toilets import draw_flapper_fault, draw_toilet
from flowsift.households.metering import Meter
from flowsift.households.occupants import Person, Role
from flowsift.households.plumbing import ServiceLine
from flowsift.households.rooms import Rooms
from flowsift.households.streams import stream

Stock = Literal["us", "us-efficient", "europe"]
STOCKS: tuple[Stock, ...] = ("us", "us-efficient", "europe")
"""Building stocks that `simulate` knows."""


@dataclass(frozen=True, kw_only=True)
class Home:
    """Everything drawn for one home."""

    people: tuple[Person, ...]
    rooms: Rooms
    fixtures: tuple[SimulatedFixture, ...]
    leaks: tuple[Trickle, ...]
    line: ServiceLine
    meter: Meter
    kitchen_per_h: float
    lavatory_per_h: float
    notes: dict[str, str] = field(default_factory=dict)


def draw_home(seed: int, *, stock: Stock, n_days: int, people: int | None, outdoors: bool = True) -> Home:
    """Draw a home of the standard population from a seed.

    Every fixture draws from a stream of its own name.
    """
    size = stream(seed, "home")
    n_people = _n_people(size, stock) if people is None else people
    persons = draw_people(seed, n_people, stock=stock)
    n_baths = int(np.clip(round(float(size.normal(0.75 + 0.42 * n_people, 0.55))), 1, 4))
    if stock == "europe":
        n_baths = min(n_baths, 2)
    toilets = tuple(f"toilet-{i + 1}" for i in range(n_baths))
    has = dict(
        zip(("tub", "second", "dishwasher", "utility", "garden", "flapper", "washer"), size.random(7), strict=True)
    )
    tub = "bathtub-1" if has["tub"] < (0.85 if stock != "europe" else 0.45) else None
    showers = ("shower-1", "shower-2") if n_baths > 1 and has["second"] < 0.75 else ("shower-1",)
    with_dishwasher = has["dishwasher"] < (0.6 if stock == "europe" else 0.84)  # 84 % in REU v2 (2016)
    rooms = Rooms(
        toilets=toilets,
        lavatories=tuple(f"faucet-{i + 2}" for i in range(n_baths)),
        showers=showers,
        tub=tub,
        kitchen="faucet-1",
        utility=f"faucet-{n_baths + 2}" if has["utility"] < 0.5 else None,
    )
    fixtures: list[SimulatedFixture] = []
    leaky = int(size.integers(n_baths))
    for i, name in enumerate(toilets):
        toilet = draw_toilet(stream(seed, name), name=name, stock=stock)
        if i == leaky and has["flapper"] < 0.2:
            toilet = replace(toilet, fault=draw_flapper_fault(stream(seed, name, "flapper"), n_days=n_days))
        fixtures.append(toilet)
    fixtures.append(
        draw_faucet(
            stream(seed, rooms.kitchen),
            name=rooms.kitchen,
            where="kitchen",
            stock=stock,
            washes_up_by_hand=not with_dishwasher,
        )
    )
    fixtures += [draw_faucet(stream(seed, n), name=n, where="lavatory", stock=stock) for n in rooms.lavatories]
    if rooms.utility:
        fixtures.append(draw_faucet(stream(seed, rooms.utility), name=rooms.utility, where="utility", stock=stock))
    for i, name in enumerate(showers):
        fixtures.append(draw_shower(stream(seed, name), name=name, stock=stock, over_tub=tub is not None and i == 0))
    if tub:
        fixtures.append(draw_bathtub(stream(seed, tub), name=tub, stock=stock))
    if has["washer"] < 0.96:
        name = "clothes-washer-1"
        fixtures.append(draw_clothes_washer(stream(seed, name), name=name, stock=stock, n_people=n_people))
    if with_dishwasher:
        name = "dishwasher-1"
        fixtures.append(draw_dishwasher(stream(seed, name), name=name, stock=stock, n_people=n_people))
    garden = outdoors and has["garden"] < (0.15 if stock == "europe" else 0.45)
    if garden:
        rng = stream(seed, "irrigation")
        fixtures.append(draw_controller(rng, n_days=n_days, broken=bool(rng.random() < 0.2)))
    habits = stream(seed, "habits")
    return Home(
        people=persons,
        rooms=rooms,
        fixtures=tuple(fixtures),
        leaks=draw_trickles(stream(seed, "leaks"), n_days=n_days),
        line=draw_line(stream(seed, "line"), garden=garden),
        meter=draw_meter(stream(seed, "meter"), stock=stock),
        kitchen_per_h=round(float(habits.gamma(9.0, 0.062)), 3),
        lavatory_per_h=round(float(habits.gamma(6.0, 0.03)), 3),
    )


def _n_people(rng: np.random.Generator, stock: Stock) -> int:
    # Mean 2.6 persons (REU v2, 2016); 349/142 = 2.46 in the UK (2013). Shares are an assumption with those means.
    shares = [0.24, 0.34, 0.16, 0.15, 0.08, 0.03] if stock != "europe" else [0.28, 0.35, 0.15, 0.14, 0.06, 0.02]
    return int(rng.choice(np.arange(1, 7), p=np.array(shares) / sum(shares)))


def draw_people(seed: int, n: int, *, stock: Stock) -> tuple[Person, ...]:
    """Draw the people of a home: adults first, then students and children."""
    roles = stream(seed, "roles")
    older = roles.random() < (0.35 if n <= 2 else 0.05)
    out: list[Person] = []
    for i in range(n):
        name = f"person-{i + 1}"
        rng = stream(seed, name)
        pick = float(roles.random())
        role: Role
        if i < 2:
            role = "retired" if older else ("at_home" if pick < 0.22 else "worker")
        else:
            role = "child" if pick < 0.5 else "student"
        out.append(_person(rng, name, role, stock))
    return tuple(out)


def _person(rng: np.random.Generator, name: str, role: Role, stock: Stock) -> Person:
    wake, sleep = {"worker": (6.5, 22.7), "student": (6.9, 22.8), "child": (6.9, 20.7)}.get(role, (7.4, 22.6))
    out = (0.0, 0.0)
    if role == "worker":
        leave = float(rng.normal(7.9, 0.5))
        out = (leave, leave + float(rng.normal(9.2, 0.7)))
    elif role in ("student", "child"):
        leave = float(rng.normal(7.9, 0.2))
        out = (leave, leave + float(rng.normal(7.6, 0.7)))
    baths = {"child": 0.25, "student": 0.03}.get(role, 0.035)
    showers = {"child": 0.45}.get(role, 0.74)
    minutes = 7.4 if stock != "europe" else 7.2
    return Person(
        name=name,
        role=role,
        wake_h=round(wake + float(rng.normal(0, 0.5)), 3),
        sleep_h=round(sleep + float(rng.normal(0, 0.5)), 3),
        late_h=round(float(rng.uniform(0.2, 1.6)), 3),
        out_h=(round(out[0], 3), round(out[1], 3)),
        toilet_per_waking_h=round(float(rng.gamma(8.0, 0.032)), 4),
        night_visits=round(float(rng.gamma(2.0, 0.35 if role == "retired" else 0.14)), 3),
        showers_per_d=round(float(np.clip(rng.normal(showers, 0.22), 0.1, 1.3)), 3),
        baths_per_d=round(baths * float(rng.gamma(1.5, 0.67)), 4),
        shower_at="morning" if rng.random() < (0.1 if role == "child" else 0.62) else "evening",
        shower_min=round(float(np.clip(rng.lognormal(np.log(minutes), 0.33), 2.5, 22.0)), 2),
        teeth_tap_open=bool(rng.random() < 0.3),
    )


def draw_line(rng: np.random.Generator, *, garden: bool) -> ServiceLine:
    """Draw mains supply and service line; homes with sprinklers have wider pipes (assumption)."""
    loss = float(rng.uniform(0.015, 0.035) if garden else rng.uniform(0.03, 0.14))
    return ServiceLine(
        supply="mains",
        loss_at_20_lpm=round(loss, 4),
        swing=round(float(rng.uniform(0.02, 0.14)), 4),
        flutter=round(float(rng.uniform(0.003, 0.012)), 4),
    )


def draw_meter(rng: np.random.Generator, *, stock: Stock) -> Meter:
    """Draw a meter; pulse and interval are set by the caller.

    US: displacement meters of all ages; Europe: jets and static meters (Q1 = 25 L/h at R100 and Q3 = 2.5 m3/h, the
    starting flow well below it).
    """
    pick, age = float(rng.random()), float(rng.uniform(0.0, 25.0))
    if pick < (0.75 if stock.startswith("us") else 0.0):
        kind, start = "displacement", 0.05 + 0.05 * float(rng.random()) + 0.006 * age
    elif pick < 0.8:
        kind, start = "jet", 0.09 + 0.1 * float(rng.random()) + 0.006 * age
    else:
        kind, start = "static", float(rng.uniform(0.008, 0.035))
    return Meter(
        kind=kind,  # type: ignore[arg-type]
        starting_lpm=round(start, 4),
        gain=round(float(np.clip(rng.normal(1.002, 0.005), 0.985, 1.015)), 5),
        phase=round(float(rng.random()), 6),
    )


def fixture_rows(fixtures: Sequence[SimulatedFixture]) -> list[dict[str, object]]:
    """Return the rows of the table of fixtures."""
    rows: list[dict[str, object]] = []
    for fixture in fixtures:
        many = getattr(fixture, "rows", None)
        for row in many() if many else [fixture.row()]:
            rows.append({name: getattr(row, name) for name in row.__dataclass_fields__})
    return rows
