"""Simulates a whole home: what everybody and everything drew, and what the meter made of it."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, replace
from typing import Any, Literal

import pandas as pd

from flowsift.errors import OptionError
from flowsift.households.days import Days, days_from
from flowsift.households.faults import Faults
from flowsift.households.fixtures.base import Setting
from flowsift.households.fixtures.leaks import Trickle, steps
from flowsift.households.fixtures.main_valve import MainValve
from flowsift.households.fixtures.shifted_machines import LoftTank
from flowsift.households.household import Household
from flowsift.households.metering import record
from flowsift.households.occupants import absences, agenda
from flowsift.households.options import check_number, check_whole, checked_spans
from flowsift.households.plumbing import run
from flowsift.households.population import STOCKS, Home, Stock, draw_home
from flowsift.households.recorded import from_record
from flowsift.households.rooms import assigned
from flowsift.households.shifted_population import shifted_home
from flowsift.households.shifted_routine import shifted_agenda
from flowsift.households.streams import stream
from flowsift.households.together import moved_together
from flowsift.households.uses import Use
from flowsift.households.varied import varied
from flowsift.ingest.options import SHORTEST_INTERVAL_S
from flowsift.units import SECONDS_PER_DAY, litres_per

Population = Literal["standard", "shifted"]
POPULATIONS: tuple[Population, ...] = ("standard", "shifted")
"""Populations that `simulate` knows."""

LARGEST_PULSE_L = 1e4
"""Largest volume of a pulse [L]: what billing meters emit."""


def simulate(
    seed: int,
    *,
    days: int,
    stock: Stock = "us",
    population: Population = "standard",
    interval_s: float = 1.0,
    pulse_l: float = 0.03,
    start: str | pd.Timestamp = "2024-06-03",
    timezone: str = "UTC",
    unit: str = "L",
    people: int | None = None,
    outdoors: bool = True,
    include: Collection[str] = (),
    exclude: Collection[str] = (),
    leaks: Sequence[Trickle] | None = None,
    main_closed_s: Sequence[tuple[float, float]] = (),
    together_per_d: int = 0,
    spread: float = 0.0,
    starting_lpm: float | None = None,
    faults: Faults | None = None,
) -> Household:
    """Simulate a home.

    Parameters
    ----------
    seed : int
        The same seed and options give the same home; one more fixture changes none of the others' draws.
    days : int
        Number of whole local days, >= 1.
    stock : {"us", "us-efficient", "europe"}
        Building stock that the fixtures are drawn from.
    population : {"standard", "shifted"}
        The shifted population has other habits, other plumbing and other shapes.
    interval_s : float
        Length of a cell [s].
    pulse_l : float
        Volume of one meter pulse [L]; 0 for a register without a step.
    start : str or Timestamp
        First local day.
    timezone : str
        Zone whose clock the people follow.
    unit : str
        Unit of volume that the log is written in (`flowsift.units.L_PER_UNIT`).
    people : int, optional
        Number of persons, 1 to 6; drawn if not given.
    outdoors : bool
        May have irrigation and other outdoor use.
    include, exclude : collection of str
        Optional fixtures that the home has, or lacks (keys of `flowsift.households.population.OWNED`).
    leaks : sequence of Trickle, optional
        Constant leaks in place of drawn ones; empty for none.
    main_closed_s : sequence of (float, float)
        Spans in which the main valve is closed, in seconds since the start, increasing and disjoint.
    together_per_d : int
        Groups of two to four uses that are made to run at once, a day.
    spread : float
        How far each fixture's flows, times and uses a day depart from the population's (`varied`); 0 for not at all.
    starting_lpm : float, optional
        Starting flow of the meter [L/min] in place of a drawn one; 0 for a meter that sees everything.
    faults : Faults, optional
        Faults of the log; the trace then goes through the same treatment as a file.

    Raises
    ------
    OptionError
        If an option is out of range.

    Examples
    --------
    >>> from flowsift.households import simulate
    >>> home = simulate(3, days=1, people=2, unit="gal")
    >>> home.trace.n_cells, home.trace.unit
    (86400, 'gal')
    """
    _check_words(stock, population, include, exclude)
    check_whole("seed", seed, 0)
    check_number("interval_s", interval_s, SHORTEST_INTERVAL_S, SECONDS_PER_DAY)
    check_number("pulse_l", pulse_l, 0.0, LARGEST_PULSE_L)
    check_whole("people", 1 if people is None else people, 1, 6)
    check_whole("together_per_d", together_per_d, 0)
    check_number("spread", spread, 0.0)
    check_number("starting_lpm", starting_lpm or 0.0, 0.0)
    main_closed_s = checked_spans("main_closed_s", main_closed_s)
    leaks = None if leaks is None else tuple(leak.checked() for leak in leaks)
    calendar = days_from(start, n=days, timezone=timezone)
    home = draw_home(seed, stock=stock, n_days=days, people=people, outdoors=outdoors, include=include, exclude=exclude)
    if population == "shifted":
        home = shifted_home(home, seed=seed, n_days=days)
    faults = (faults or Faults()).checked()
    meter = replace(home.meter, pulse_l=pulse_l, interval_s=interval_s, drift_ppm=faults.drift_ppm)
    if starting_lpm is not None:
        meter = replace(meter, starting_lpm=starting_lpm)
    litres_per(unit)
    home = replace(home, meter=meter, unit=unit, leaks=home.leaks if leaks is None else leaks)
    if main_closed_s:
        home = replace(home, fixtures=(*home.fixtures, MainValve(closed_s=main_closed_s)))
    uses = all_uses(home, calendar, seed=seed)
    if spread:
        uses = varied(uses, spread=spread, rng=stream(seed, "varied"))
    if together_per_d:
        uses = moved_together(uses, calendar, groups_per_d=together_per_d, rng=stream(seed, "together"))
    card: dict[str, Any] = {"stock": stock, "population": population, "together_per_d": together_per_d}
    if spread:
        card["spread"] = spread
    return run_uses(uses, home, calendar, seed=seed, faults=faults, card=card)


def run_uses(
    uses: Sequence[Use],
    home: Home,
    days: Days,
    *,
    seed: int,
    faults: Faults,
    card: Mapping[str, Any],
) -> Household:
    """Run given uses through a home's plumbing, meter and logger."""
    valve = next((fixture for fixture in home.fixtures if isinstance(fixture, MainValve)), None)
    closed_s = valve.closed_s if valve else ()
    uses = valve.spared(uses) if valve else list(uses)
    uses = [use for use in uses if 0.0 <= use.start_s < days.end_s]
    leak_s, leak_lpm = steps(home.leaks, end_s=days.end_s, closed_s=closed_s)
    flows = run(uses, home.line, days=days, leak_lpm=float(leak_lpm.mean()), rng=stream(seed, "supply"))
    metered = record(flows, home.meter, leak_s=leak_s, leak_lpm=leak_lpm, end_s=days.end_s)
    whole = {"invented": "a simulated home", "seed": seed, **card, **_card(home, days), "faults": asdict(faults)}
    return from_record(
        uses,
        flows,
        metered,
        home=home,
        days=days,
        leak=(leak_s, leak_lpm),
        card=whole,
        faults=faults,
        rng=stream(seed, "logger"),
    )


def all_uses(home: Home, days: Days, *, seed: int) -> list[Use]:
    """Return every use of every fixture, by fixture, then start."""
    empty = absences(days, stream(seed, "absences"))
    plan = agenda if home.routine == "clocked" else shifted_agenda
    visits = plan(
        home.people,
        days,
        seed=seed,
        empty=empty,
        kitchen_per_h=home.kitchen_per_h,
        lavatory_per_h=home.lavatory_per_h,
    )
    by_fixture = assigned(visits, home.rooms, home.people, seed=seed)
    uses: list[Use] = []
    for fixture in home.fixtures:
        setting = Setting(days=days, visits=by_fixture.get(fixture.name, []), absences=empty)
        uses += sorted(fixture.uses(setting, stream(seed, fixture.name, "uses")), key=lambda use: use.start_s)
    for fixture in home.fixtures:
        if isinstance(fixture, LoftTank):
            uses = fixture.rerouted(uses)
    return uses


def _card(home: Home, days: Days) -> dict[str, Any]:
    return {
        "start": days.start.isoformat(),
        "days": days.n,
        "timezone": str(days.start.tz),
        "people": [asdict(person) for person in home.people],
        "fixtures": [fixture.card() for fixture in home.fixtures],
        "leaks": [leak.card() for leak in home.leaks],
        "line": asdict(home.line),
        "meter": asdict(home.meter),
        "kitchen_per_h": home.kitchen_per_h,
        "lavatory_per_h": home.lavatory_per_h,
    }


def _check_words(stock: str, population: str, *lists: Collection[str]) -> None:
    if stock not in STOCKS:
        raise OptionError(f"unknown stock {stock!r}; known stocks: {', '.join(STOCKS)}")
    if population not in POPULATIONS:
        raise OptionError(f"unknown population {population!r}; known populations: {', '.join(POPULATIONS)}")
    for names in lists:
        if isinstance(names, str):
            raise OptionError(f"include and exclude must be lists of names, got {names!r} (write [{names!r}])")
