"""Draws a home of the standard population: its people, fixtures, plumbing and meter."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from flowsift.errors import OptionError
from flowsift.households.fixtures.appliances import draw_clothes_washer, draw_dishwasher
from flowsift.households.fixtures.base import SimulatedFixture
from flowsift.households.fixtures.bathing import draw_bathtub, draw_shower
from flowsift.households.fixtures.cooler import draw_cooler
from flowsift.households.fixtures.faucets import draw_faucet
from flowsift.households.fixtures.irrigation import draw_controller
from flowsift.households.fixtures.leaks import Trickle, draw_trickles
from flowsift.households.fixtures.others import ApplianceKind, draw_small_appliance
from flowsift.households.fixtures.outdoor import draw_hose, draw_pool
from flowsift.households.fixtures.softener import draw_softener
from flowsift.households.fixtures.toilets import draw_flapper_fault, draw_toilet
from flowsift.households.metering import Meter, MeterKind
from flowsift.households.occupants import Person, Role
from flowsift.households.plumbing import ServiceLine
from flowsift.households.rooms import Rooms
from flowsift.households.streams import stream

Stock = Literal["us", "us-efficient", "europe"]
STOCKS: tuple[Stock, ...] = ("us", "us-efficient", "europe")
"""Building stocks that `simulate` knows."""

OWNED: dict[str, tuple[float, float, float]] = {
    # Share of homes with it, by stock in the order of `STOCKS`. Dishwasher: 84 % in REU v2 (2016). The rest are
    # assumptions.
    "bathtub": (0.85, 0.75, 0.45),
    "second shower": (0.75, 0.75, 0.5),
    "clothes washer": (0.96, 0.97, 0.97),
    "dishwasher": (0.84, 0.88, 0.66),
    "utility faucet": (0.5, 0.4, 0.4),
    "worn flapper": (0.2, 0.08, 0.1),
    "irrigation": (0.45, 0.45, 0.12),
    "broken head": (0.09, 0.06, 0.02),
    "hose": (0.65, 0.55, 0.4),
    "softener": (0.16, 0.2, 0.08),
    "cooler": (0.06, 0.03, 0.01),
    "pool": (0.1, 0.1, 0.03),
    "ice maker": (0.35, 0.45, 0.06),
    "reverse osmosis": (0.1, 0.12, 0.03),
    "humidifier": (0.08, 0.1, 0.01),
}
"""Optional fixtures and faults, and the share of homes that have them."""

OUTDOOR = frozenset({"irrigation", "broken head", "hose", "pool", "cooler"})
"""Optional fixtures left out of homes without outdoor use."""


@dataclass(frozen=True, kw_only=True)
class Home:
    """Everything drawn for one home.

    `routine` says how the people live: ``clocked`` (`flowsift.households.occupants.agenda`) or ``stays``
    (`flowsift.households.shifted_routine.shifted_agenda`).
    """

    people: tuple[Person, ...]
    rooms: Rooms
    fixtures: tuple[SimulatedFixture, ...]
    leaks: tuple[Trickle, ...]
    line: ServiceLine
    meter: Meter
    kitchen_per_h: float
    lavatory_per_h: float
    routine: Literal["clocked", "stays"] = "clocked"
    unit: str = "L"


def draw_home(
    seed: int,
    *,
    stock: Stock,
    n_days: int,
    people: int | None = None,
    outdoors: bool = True,
    include: Collection[str] = (),
    exclude: Collection[str] = (),
) -> Home:
    """Draw a home of the standard population; each fixture draws from a stream of its own name.

    Parameters
    ----------
    seed : int
    stock : str
        One of `STOCKS`.
    n_days : int
        Length of the simulation, for faults that begin within it.
    people : int, optional
    outdoors : bool
    include, exclude : collection of str
        Keys of `OWNED` that the home has, or lacks, whatever is drawn.

    Raises
    ------
    OptionError
        If a name in `include` or `exclude` is not one of `OWNED`.
    """
    owned = _owned(seed, stock, outdoors, include, exclude)
    size = stream(seed, "home")
    drawn_people = _n_people(size, stock)
    n_people = drawn_people if people is None else people
    persons = draw_people(seed, n_people)
    n_baths = int(np.clip(round(float(size.normal(0.75 + 0.42 * n_people, 0.55))), 1, 4))
    if stock == "europe":
        n_baths = min(n_baths, 2)
    rooms = Rooms(
        toilets=tuple(f"toilet-{i + 1}" for i in range(n_baths)),
        lavatories=tuple(f"faucet-{i + 2}" for i in range(n_baths)),
        showers=("shower-1", "shower-2") if n_baths > 1 and "second shower" in owned else ("shower-1",),
        tub="bathtub-1" if "bathtub" in owned else None,
        kitchen="faucet-1",
        utility=f"faucet-{n_baths + 2}" if "utility faucet" in owned else None,
    )
    fixtures = _indoors(seed, stock, rooms, owned, n_days=n_days, n_people=n_people)
    if "irrigation" in owned:
        rng = stream(seed, "irrigation")
        fixtures.append(draw_controller(rng, n_days=n_days, broken="broken head" in owned))
    if "hose" in owned:
        fixtures.append(draw_hose(stream(seed, "hose-1"), name="hose-1"))
    if "pool" in owned:
        fixtures.append(draw_pool(stream(seed, "pool-fill-1"), name="pool-fill-1"))
    if "cooler" in owned:
        fixtures.append(draw_cooler(stream(seed, "cooler-1"), name="cooler-1"))
    habits = stream(seed, "habits")
    return Home(
        people=persons,
        rooms=rooms,
        fixtures=tuple(fixtures),
        leaks=draw_trickles(stream(seed, "leaks"), n_days=n_days, share=0.78 if stock == "us" else 0.5),
        line=draw_line(stream(seed, "line"), garden="irrigation" in owned),
        meter=draw_meter(stream(seed, "meter"), stock=stock),
        kitchen_per_h=round(float(habits.gamma(9.0, 0.062)), 3),
        lavatory_per_h=round(float(habits.gamma(6.0, 0.03)), 3),
    )


def _owned(
    seed: int, stock: Stock, outdoors: bool, include: Collection[str], exclude: Collection[str]
) -> frozenset[str]:
    for name in (*include, *exclude):
        if name not in OWNED:
            raise OptionError(f"unknown optional fixture {name!r}; known: {', '.join(OWNED)}")
    which = STOCKS.index(stock)
    drawn = {name for name, share in OWNED.items() if stream(seed, "owned", name).random() < share[which]}
    if not outdoors:
        drawn -= OUTDOOR
    drawn |= set(include)
    if "broken head" in drawn and "irrigation" not in exclude and "broken head" in include:
        drawn.add("irrigation")
    return frozenset(drawn - set(exclude))


def _indoors(
    seed: int, stock: Stock, rooms: Rooms, owned: frozenset[str], *, n_days: int, n_people: int
) -> list[SimulatedFixture]:
    fixtures: list[SimulatedFixture] = []
    leaky = int(stream(seed, "worn flapper").integers(len(rooms.toilets)))
    for i, name in enumerate(rooms.toilets):
        toilet = draw_toilet(stream(seed, name), name=name, stock=stock)
        if i == leaky and "worn flapper" in owned:
            toilet = replace(toilet, fault=draw_flapper_fault(stream(seed, name, "flapper"), n_days=n_days))
        fixtures.append(toilet)
    by_hand = "dishwasher" not in owned
    kitchen = draw_faucet(
        stream(seed, rooms.kitchen), name=rooms.kitchen, where="kitchen", stock=stock, washes_up_by_hand=by_hand
    )
    fixtures.append(kitchen)
    fixtures += [draw_faucet(stream(seed, n), name=n, where="lavatory", stock=stock) for n in rooms.lavatories]
    if rooms.utility:
        # A stream by use, not by number: its number depends on the number of bathrooms.
        fixtures.append(draw_faucet(stream(seed, "utility"), name=rooms.utility, where="utility", stock=stock))
    for i, name in enumerate(rooms.showers):
        over_tub = rooms.tub is not None and i == 0
        fixtures.append(draw_shower(stream(seed, name), name=name, stock=stock, over_tub=over_tub))
    if rooms.tub:
        fixtures.append(draw_bathtub(stream(seed, rooms.tub), name=rooms.tub, stock=stock))
    if "clothes washer" in owned:
        name = "clothes-washer-1"
        fixtures.append(draw_clothes_washer(stream(seed, name), name=name, stock=stock, n_people=n_people))
    if "dishwasher" in owned:
        name = "dishwasher-1"
        fixtures.append(draw_dishwasher(stream(seed, name), name=name, stock=stock, n_people=n_people))
    if "softener" in owned:
        fixtures.append(draw_softener(stream(seed, "softener-1"), name="softener-1"))
    small: tuple[ApplianceKind, ...] = ("ice maker", "reverse osmosis", "humidifier")
    for number, kind in enumerate([k for k in small if k in owned], start=1):
        fixtures.append(draw_small_appliance(stream(seed, kind), name=f"other-{number}", kind=kind))
    return fixtures


def _n_people(rng: np.random.Generator, stock: Stock) -> int:
    # Mean 2.6 persons (REU v2, 2016); 349/142 = 2.46 in the UK (2013). Shares are an assumption with those means.
    shares = [0.24, 0.34, 0.16, 0.15, 0.08, 0.03] if stock != "europe" else [0.28, 0.35, 0.15, 0.14, 0.06, 0.02]
    return int(rng.choice(np.arange(1, 7), p=np.array(shares) / sum(shares)))


def draw_people(seed: int, n: int) -> tuple[Person, ...]:
    """Draw the people of a home: adults first, then students and children."""
    roles = stream(seed, "roles")
    older = roles.random() < (0.35 if n <= 2 else 0.05)
    out: list[Person] = []
    for i in range(n):
        name = f"person-{i + 1}"
        pick = float(roles.random())
        role: Role
        if i < 2:
            role = "retired" if older else ("at_home" if pick < 0.22 else "worker")
        else:
            role = "child" if pick < 0.5 else "student"
        out.append(_person(stream(seed, name), name, role))
    return tuple(out)


def _person(rng: np.random.Generator, name: str, role: Role) -> Person:
    wake, sleep = {"worker": (6.5, 22.7), "student": (6.9, 22.8), "child": (6.9, 20.7)}.get(role, (7.4, 22.6))
    out = (0.0, 0.0)
    if role == "worker":
        leave = float(rng.normal(7.9, 0.5))
        out = (leave, leave + float(rng.normal(9.2, 0.7)))
    elif role in ("student", "child"):
        leave = float(rng.normal(7.9, 0.2))
        out = (leave, leave + float(rng.normal(7.6, 0.7)))
    baths = {"child": 0.28, "student": 0.03}.get(role, 0.042)
    showers = {"child": 0.45}.get(role, 0.74)
    # Median; the mean comes near 7.8 min (REU v2, 2016) with the spread among people and days.
    minutes = 6.8
    return Person(
        name=name,
        role=role,
        wake_h=round(wake + float(rng.normal(0, 0.5)), 3),
        sleep_h=round(sleep + float(rng.normal(0, 0.5)), 3),
        late_h=round(float(rng.uniform(0.2, 1.6)), 3),
        out_h=(round(out[0], 3), round(out[1], 3)),
        toilet_per_waking_h=round(float(rng.gamma(8.0, 0.027)), 4),
        night_visits=round(float(rng.gamma(2.0, 0.35 if role == "retired" else 0.14)), 3),
        showers_per_d=round(float(np.clip(rng.normal(showers, 0.22), 0.1, 1.3)), 3),
        baths_per_d=round(baths * float(rng.gamma(1.5, 0.67)), 4),
        shower_at="morning" if rng.random() < (0.1 if role == "child" else 0.62) else "evening",
        shower_min=round(float(np.clip(rng.lognormal(np.log(minutes), 0.33), 2.5, 22.0)), 2),
    )


def draw_line(rng: np.random.Generator, *, garden: bool) -> ServiceLine:
    """Draw mains supply and service line; homes with sprinklers have wider pipes (assumption)."""
    loss = float(rng.uniform(0.015, 0.035) if garden else rng.uniform(0.03, 0.14))
    return ServiceLine(
        supply="mains",
        loss_at_20_lpm=round(loss, 4),
        swing=round(float(rng.uniform(0.02, 0.14)), 4),
        flutter=round(float(rng.uniform(0.003, 0.015)), 4),
        turbulence=round(float(rng.uniform(0.003, 0.025)), 4),
    )


def draw_meter(rng: np.random.Generator, *, stock: Stock) -> Meter:
    """Draw a meter; pulse and interval are set by the caller.

    US: displacement meters of all ages; Europe: jets and static meters (Q1 = 25 L/h at R100 and Q3 = 2.5 m3/h, the
    starting flow well below it).
    """
    pick, age = float(rng.random()), float(rng.uniform(0.0, 25.0))
    kind: MeterKind
    if pick < (0.75 if stock.startswith("us") else 0.0):
        kind, starting = "displacement", 0.05 + 0.05 * float(rng.random()) + 0.006 * age
    elif pick < 0.8:
        kind, starting = "jet", 0.09 + 0.1 * float(rng.random()) + 0.006 * age
    else:
        kind, starting = "static", float(rng.uniform(0.008, 0.035))
    return Meter(
        kind=kind,
        starting_lpm=round(starting, 4),
        gain=round(float(np.clip(rng.normal(1.002, 0.005), 0.985, 1.015)), 5),
        phase=round(float(rng.random()), 6),
    )
