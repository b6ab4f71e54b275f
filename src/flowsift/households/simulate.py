"""Simulates a whole home: what everybody and everything drew, and what the meter made of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

import numpy as np
import pandas as pd

from flowsift.disaggregation import overlapping
from flowsift.errors import OptionError
from flowsift.households.days import Days, days_from
from flowsift.households.fixtures.base import Setting, SimulatedFixture
from flowsift.households.fixtures.leaks import Trickle, steps
from flowsift.households.metering import Metered, record
from flowsift.households.occupants import absences, agenda
from flowsift.households.plumbing import Flows, run
from flowsift.households.population import STOCKS, Home, Stock, draw_home, fixture_rows
from flowsift.households.rooms import assigned
from flowsift.households.streams import stream
from flowsift.households.truth import CellVolumes, Truth, TruthShares, event_table, fixtures_table, trickle_table
from flowsift.households.uses import Use
from flowsift.trace import FloatArray, Trace
from flowsift.units import NS_PER_S, SECONDS_PER_DAY, SECONDS_PER_MINUTE

Population = Literal["standard", "shifted"]
POPULATIONS: tuple[Population, ...] = ("standard", "shifted")
"""Populations that `simulate` knows."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Household:
    """A simulated household: what the meter logged, and what really happened."""

    trace: Trace
    truth: Truth

    def __repr__(self) -> str:
        """Return its trace and the number of its events."""
        return f"Household({self.trace!r}, {len(self.truth.events):,} events)"


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
    people: int | None = None,
    outdoors: bool = True,
    leaks: Sequence[Trickle] | None = None,
) -> Household:
    """Simulate a home.

    Parameters
    ----------
    seed : int
        The same seed and options give the same home; one more fixture changes none of the others.
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
    people : int, optional
        Number of persons, 1 to 6; drawn if not given.
    outdoors : bool
        May have irrigation and other outdoor use.
    leaks : sequence of Trickle, optional
        Constant leaks in place of drawn ones; empty for none.

    Raises
    ------
    OptionError
        If an option is out of range.
    """
    _check(stock, population, interval_s, pulse_l, people)
    calendar = days_from(start, n=days, timezone=timezone)
    home = draw_home(seed, stock=stock, n_days=days, people=people, outdoors=outdoors)
    home = replace(home, meter=replace(home.meter, pulse_l=pulse_l, interval_s=interval_s))
    if leaks is not None:
        home = replace(home, leaks=tuple(leaks))
    return run_home(home, calendar, seed=seed, card={"seed": seed, "stock": stock, "population": population})


def run_home(home: Home, days: Days, *, seed: int, card: Mapping[str, Any]) -> Household:
    """Let a home live through the days."""
    uses = all_uses(home, days, seed=seed)
    leak_s, leak_lpm = steps(home.leaks, end_s=days.end_s)
    flows = run(uses, home.line, days=days, leak_lpm=float(leak_lpm.mean()), rng=stream(seed, "supply"))
    metered = record(flows, home.meter, leak_s=leak_s, leak_lpm=leak_lpm, end_s=days.end_s)
    interval_ns = round(home.meter.interval_s * NS_PER_S)
    trace = Trace(
        start_ns=int(days.start.tz_convert("UTC").as_unit("ns").value),
        interval_ns=interval_ns,
        n_cells=metered.n_cells,
        cell=metered.cell,
        volume_l=metered.volume_l,
        gaps=np.empty((0, 2), np.int64),
        gap_volume_l=np.empty(0),
        pulse_l=home.meter.pulse_l,
        timezone=str(days.start.tz),
    )
    whole = {
        **card,
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
        **home.notes,
    }
    return Household(trace=trace, truth=_truth(uses, flows, metered, home, days, leak_s, leak_lpm, whole))


def all_uses(home: Home, days: Days, *, seed: int) -> list[Use]:
    """Return every use of every fixture, in order of fixture and start."""
    empty = absences(days, stream(seed, "absences"))
    visits = agenda(
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
        setting = Setting(days=days, visits=by_fixture.get(fixture.name, []), absences=empty, n_people=len(home.people))
        uses += sorted(_of(fixture, setting, seed), key=lambda use: use.start_s)
    return [use for use in uses if 0.0 <= use.start_s < days.end_s]


def _of(fixture: SimulatedFixture, setting: Setting, seed: int) -> list[Use]:
    return fixture.uses(setting, stream(seed, fixture.name, "uses"))


def _truth(
    uses: Sequence[Use],
    flows: Flows,
    metered: Metered,
    home: Home,
    days: Days,
    leak_s: FloatArray,
    leak_lpm: FloatArray,
    card: Mapping[str, Any],
) -> Truth:
    fast = 1.0 + 1e-6 * home.meter.drift_ppm
    real_l = np.bincount(flows.use, flows.volume_l, minlength=len(uses))
    metered_l = np.bincount(metered.share_use, metered.share_l, minlength=len(uses))
    happened = np.flatnonzero(real_l > 0)
    order = happened[np.lexsort((flows.end_s[happened], flows.start_s[happened]))]
    rank = np.full(len(uses), -1, np.int64)
    rank[order] = np.arange(order.size)
    start_ms = np.round(flows.start_s[order] * fast * 1e3).astype(np.int64)
    end_ms = np.maximum(np.round(flows.end_s[order] * fast * 1e3).astype(np.int64), start_ms + 1)
    numbers = np.array([use.cycle for use in uses], dtype=np.int64)[order]
    cycle = pd.array(numbers, dtype="Int64")
    cycle[numbers < 0] = pd.NA
    events = event_table(
        {
            "start": _times(days, start_ms),
            "end": _times(days, end_ms),
            "label": [uses[i].label for i in order],
            "fixture": [uses[i].fixture for i in order],
            "cycle": cycle,
            "volume_l": np.round(real_l[order], 6),
            "metered_l": np.round(metered_l[order], 9),
            "overlaps": overlapping(start_ms, end_ms),
        }
    )
    held = metered.share_l > 1e-12
    event = rank[metered.share_use[held]]
    cell = metered.cell[metered.share_at[held]]
    by_cell = np.lexsort((event, cell))
    leaking = metered.trickle_l > 1e-12
    stop_s = np.append(leak_s[1:], days.end_s)
    on = leak_lpm > 0
    return Truth(
        events=events,
        shares=TruthShares(event=event[by_cell], cell=cell[by_cell], volume_l=metered.share_l[held][by_cell]),
        trickle_cells=CellVolumes(cell=metered.cell[leaking], volume_l=metered.trickle_l[leaking]),
        trickle=trickle_table(
            {
                "start": _times(days, np.round(leak_s[on] * fast * 1e3).astype(np.int64)),
                "end": _times(days, np.round(stop_s[on] * fast * 1e3).astype(np.int64)),
                "rate_lpm": leak_lpm[on],
                "volume_l": leak_lpm[on] * (stop_s - leak_s)[on] / SECONDS_PER_MINUTE,
            }
        ),
        fixtures=fixtures_table(fixture_rows(home.fixtures)),
        card=dict(card),
    )


def _times(days: Days, ms: Any) -> pd.DatetimeIndex:
    start_ns = int(days.start.tz_convert("UTC").as_unit("ns").value)
    return pd.DatetimeIndex((start_ns + np.asarray(ms, np.int64) * 1_000_000).view("M8[ns]")).tz_localize("UTC")


def _check(stock: str, population: str, interval_s: float, pulse_l: float, people: int | None) -> None:
    if stock not in STOCKS:
        raise OptionError(f"unknown stock {stock!r}; known stocks: {', '.join(STOCKS)}")
    if population not in POPULATIONS:
        raise OptionError(f"unknown population {population!r}; known populations: {', '.join(POPULATIONS)}")
    if not 0.0 < interval_s <= SECONDS_PER_DAY:
        raise OptionError(f"interval_s must be above 0 and at most a day, got {interval_s}")
    if not 0.0 <= pulse_l < 1e4:
        raise OptionError(f"pulse_l must be 0 (no step) or a volume in litres, got {pulse_l}")
    if people is not None and not 1 <= people <= 6:
        raise OptionError(f"people must be 1 to 6, got {people}")
