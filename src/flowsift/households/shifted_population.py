"""Makes a home one of the shifted population: other habits, other plumbing, other shapes of flow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from flowsift.households.fixtures.base import SimulatedFixture
from flowsift.households.fixtures.irrigation import Controller, draw_controller
from flowsift.households.fixtures.leaks import draw_trickles
from flowsift.households.fixtures.shifted_machines import draw_loft_tank, draw_pulse_washer
from flowsift.households.fixtures.shifted_taps import ShiftedShower, draw_shifted_shower, draw_shifted_tap
from flowsift.households.fixtures.toilets import GravityToilet
from flowsift.households.fixtures.valve_toilets import draw_valve_toilet
from flowsift.households.occupants import Person
from flowsift.households.plumbing import ServiceLine
from flowsift.households.population import Home
from flowsift.households.streams import stream


def shifted_home(base: Home, *, seed: int, n_days: int) -> Home:
    """Return a home of the standard population as one of the shifted population.

    The people keep other hours and act by waiting times; toilets, taps, showers and washers are of other designs;
    many homes are on a pump or have a loft tank.
    """
    rng = stream(seed, "shifted home")
    n_people = len(base.people)
    fixtures: list[SimulatedFixture] = []
    keeps_gravity = rng.random() < 0.3
    for fixture in base.fixtures:
        own = stream(seed, "shifted", fixture.name)
        if fixture.name.startswith("toilet-"):
            worn = isinstance(fixture, GravityToilet) and fixture.fault is not None
            fixtures.append(fixture if worn or keeps_gravity else draw_valve_toilet(own, name=fixture.name))
        elif fixture.name.startswith("faucet-"):
            fixtures.append(draw_shifted_tap(own, name=fixture.name, kitchen=fixture.name == base.rooms.kitchen))
        elif fixture.name.startswith("shower-"):
            fixtures.append(draw_shifted_shower(own, name=fixture.name))
        elif fixture.name.startswith("clothes-washer-"):
            fixtures.append(draw_pulse_washer(own, name=fixture.name, n_people=n_people))
        elif isinstance(fixture, Controller):
            fixtures.append(cycle_and_soak(draw_controller(own, n_days=n_days, lpm_limit=45.0), own))
        else:
            fixtures.append(fixture)
    electric = any(isinstance(fixture, ShiftedShower) and fixture.design == "electric" for fixture in fixtures)
    if rng.random() < 0.4 and not electric:
        fixtures.append(draw_loft_tank(stream(seed, "tank-1"), name="tank-1"))
    return replace(
        base,
        people=tuple(_shifted_person(person, stream(seed, "shifted habits", person.name)) for person in base.people),
        fixtures=tuple(fixtures),
        line=_line(stream(seed, "shifted line"), base.line),
        leaks=draw_trickles(stream(seed, "shifted leaks"), n_days=n_days, share=0.6),
        routine="stays",
    )


def _shifted_person(person: Person, rng: np.random.Generator) -> Person:
    night = rng.random() < 0.18 and person.role == "worker"
    wake = float(rng.uniform(13.0, 16.5)) if night else float(rng.normal(7.8, 1.4))
    return replace(
        person,
        role="night_worker" if night else person.role,
        wake_h=round(wake, 3),
        shower_min=round(float(np.clip(rng.gamma(4.0, 1.7), 2.0, 25.0)), 2),
        showers_per_d=round(float(rng.uniform(0.3, 1.5)), 3),
    )


def _line(rng: np.random.Generator, mains: ServiceLine) -> ServiceLine:
    if rng.random() < 0.45:
        return replace(
            mains,
            supply="pump",
            cut_in=round(float(rng.uniform(0.5, 0.72)), 3),
            drawdown_l=round(float(rng.uniform(8.0, 45.0)), 1),
            pump_lpm=round(float(rng.uniform(25.0, 60.0)), 1),
        )
    return replace(mains, loss_at_20_lpm=round(2.0 * mains.loss_at_20_lpm, 4), swing=round(1.8 * mains.swing, 4))


def cycle_and_soak(controller: Controller, rng: np.random.Generator) -> Controller:
    """Return a controller that waters each zone in several short rounds instead of one run."""
    rounds = int(rng.integers(2, 4))
    zones = tuple(replace(zone, minutes=max(float(round(zone.minutes / rounds)), 2.0)) for zone in controller.zones)
    return replace(controller, zones=zones * rounds, start_h=float(rng.choice([1.0, 20.5, 22.0])))
