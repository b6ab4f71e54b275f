"""Alert levels from a home's own record: few false alarms, and what each level would have caught."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import pandas as pd
from scipy.special import gammaincinv

from flowsift.disaggregation import Disaggregation
from flowsift.errors import NotEnoughDataError, OptionError
from flowsift.standards import Figure, figure
from flowsift.standards.conversion import DAYS_PER_YEAR
from flowsift.study.alerts_blocks import Blocks, ordinary_flow, runs_at, whole_flow
from flowsift.study.leaks_lines import LeakLine, left_running, trickles
from flowsift.study.steady_rate import step_l
from flowsift.tables import Table
from flowsift.trace import FloatArray
from flowsift.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE

AlertKind = Literal["constant flow", "high flow"]

CONSTANT_HOURS = (2.0, 4.0, 6.0, 12.0, 24.0, 48.0)
"""How long a constant flow may last before it is one [h], as tried."""

HIGH_MINUTES = (10.0, 20.0, 30.0, 60.0, 120.0, 180.0)
"""The same for a high flow [min]."""

CONSTANT_BLOCK_S, HIGH_BLOCK_S = 600.0, 60.0
"""Blocks in which flow is looked at [s], longer where the pulses are too coarse for them."""

HEADROOM = 1.2
"""A level stands this much above the highest flow that the record lets pass: no year is like the last (assumption)."""

LEVEL_PULSES = 2.0
"""A block must hold at least so many pulses at the level."""

HEADROOM_TIME = 1.5
"""It is also out of reach of flows that last only this much less long."""

REFERENCES: dict[AlertKind, tuple[str, ...]] = {
    "constant flow": (
        "toilet.toilet_leak_small_silent",
        "toilet.common_leak_leaking_toilet_original_table",
        "leak.common_leak_stuck_ice_maker",
    ),
    "high flow": ("hose.common_leak_hose_left_on", "leak.common_leak_broken_service_line"),
}
"""Published leaks that the levels of each kind are for, smallest first."""

UNNOTICED_DAYS = 90.0
"""Time that a leak goes on where no level catches it [d]: a bill comes (assumption)."""


@dataclass(frozen=True, kw_only=True)
class AlertRule:
    """A rule that a stream of blocks can be held against.

    An alarm is raised once every block of `block_s` for `lasting_s` on end had a mean flow of at least `level_lpm`. A
    block with missing data breaks the row.

    Attributes
    ----------
    kind : {"constant flow", "high flow"}
    level_lpm : float
        Mean flow of a block [L/min].
    lasting_s : float
        How long it must last [s], a whole number of blocks.
    block_s : float
        Length of a block [s].

    Examples
    --------
    >>> from flowsift.study import AlertRule
    >>> rule = AlertRule(kind="constant flow", level_lpm=0.1, lasting_s=6 * 3600.0, block_s=600.0)
    >>> rule.n_blocks, rule.block_l
    (36, 1.0)
    """

    kind: AlertKind
    level_lpm: float
    lasting_s: float
    block_s: float

    @property
    def n_blocks(self) -> int:
        """Blocks on end that raise the alarm."""
        return round(self.lasting_s / self.block_s)

    @property
    def block_l(self) -> float:
        """Least volume of a block that keeps the row going [L]."""
        return self.level_lpm * self.block_s / SECONDS_PER_MINUTE

    def row_after(self, row: int, block_volume_l: float) -> int:
        """Return the blocks on end after one more block; NaN stands for missing data. The alarm is at `n_blocks`."""
        return row + 1 if block_volume_l >= self.block_l * (1.0 - 1e-9) else 0

    def lost_before_l(self, rate_lpm: float) -> float:
        """Return what a steady leak loses before the alarm [L]; inf where it never comes."""
        seen = rate_lpm >= self.level_lpm
        return rate_lpm * self.lasting_s / SECONDS_PER_MINUTE if seen else math.inf


@dataclass(frozen=True, kw_only=True)
class Caught:
    """What a rule makes of one leak.

    Attributes
    ----------
    name : str
    rate_lpm : float
    after_s : float
        Time to the alarm [s]; inf where none comes.
    lost_l : float
        Volume lost before it [L]; what the leak lost in all where none comes (inf for a published one).
    own : bool
        A loss of this home's own record rather than a published one.
    source : str
        Source of a published one.
    """

    name: str
    rate_lpm: float
    after_s: float
    lost_l: float
    own: bool
    source: str


@dataclass(frozen=True, kw_only=True)
class AlertLevel:
    """A rule with its record.

    Attributes
    ----------
    rule : AlertRule
    false_alarms : int
        Alarms in the record with the losses taken out of it.
    false_per_year, most_per_year : float
        The same a year, and the most that it can be a year at 95 % (a short record promises little).
    caught : tuple of Caught
    """

    rule: AlertRule
    false_alarms: int
    false_per_year: float
    most_per_year: float
    caught: tuple[Caught, ...]


@dataclass(frozen=True, kw_only=True)
class AlertPlan:
    """Levels for one home.

    Attributes
    ----------
    constant, high : AlertLevel
        The two to use.
    tried : tuple of AlertLevel
        Every duration that was tried, with its level.
    days : float
        Observed time that they rest on [d].
    allowed_per_year : float
        False alarms a year that were allowed.

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> plan = fs.study.alert_levels(result)
    >>> plan.constant.rule.kind, plan.high.rule.kind
    ('constant flow', 'high flow')
    """

    constant: AlertLevel
    high: AlertLevel
    tried: tuple[AlertLevel, ...]
    days: float
    allowed_per_year: float

    def table(self) -> Table:
        """Return one row a rule tried: kind, level_lpm, lasting_s, block_s, false alarms, chosen."""
        chosen = {id(self.constant), id(self.high)}
        return Table(
            {
                "kind": pd.Series([a.rule.kind for a in self.tried], dtype="str"),
                "level_lpm": [a.rule.level_lpm for a in self.tried],
                "lasting_s": [a.rule.lasting_s for a in self.tried],
                "block_s": [a.rule.block_s for a in self.tried],
                "false_alarms": [a.false_alarms for a in self.tried],
                "false_per_year": [a.false_per_year for a in self.tried],
                "most_per_year": [a.most_per_year for a in self.tried],
                "chosen": [id(a) in chosen for a in self.tried],
            }
        )


def alert_levels(result: Disaggregation, *, false_per_year: float = 1.0) -> AlertPlan:
    """Choose alert levels from a home's own record.

    Parameters
    ----------
    result : Disaggregation
    false_per_year : float
        False alarms a year that are allowed, >= 0.

    Returns
    -------
    AlertPlan
        For each duration the lowest level under which the record, its losses taken out, stays within the allowance;
        then the duration that loses least to the published leaks of `REFERENCES`.

    Raises
    ------
    OptionError
        If `false_per_year` is negative.
    NotEnoughDataError
        If less than three days were observed, or the intervals are too long to see how long a flow lasts.

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> fs.study.alert_levels(result, false_per_year=2.0).allowed_per_year
    2.0
    """
    if not (math.isfinite(false_per_year) and false_per_year >= 0):
        raise OptionError(f"false_per_year is {false_per_year!r}, expected a number of at least 0")
    trace = result.trace
    days = (trace.duration_s - trace.gap_s) / SECONDS_PER_DAY
    if days < 3.0:
        raise NotEnoughDataError(f"{days:.1f} days observed, expected at least 3 to tell what is usual here")
    losses = [*trickles(result), *left_running(result)]
    tried: list[AlertLevel] = []
    grids: dict[AlertKind, tuple[list[float], float]] = {
        "constant flow": ([h * 3600.0 for h in CONSTANT_HOURS], CONSTANT_BLOCK_S),
        "high flow": ([m * 60.0 for m in HIGH_MINUTES], HIGH_BLOCK_S),
    }
    for kind, (spans, block_s) in grids.items():
        ordinary = ordinary_flow(result, block_s=block_s)
        whole = whole_flow(trace, block_s=block_s)
        for lasting_s in spans:
            n = round(lasting_s / ordinary.block_s)
            if n >= 2 and lasting_s <= 0.25 * days * SECONDS_PER_DAY:
                tried.append(_level(kind, ordinary, whole, n, days, false_per_year, losses, step_l(trace)))
    constant = _best([a for a in tried if a.rule.kind == "constant flow"], interval_s=trace.interval_s)
    high = _best([a for a in tried if a.rule.kind == "high flow"], interval_s=trace.interval_s)
    return AlertPlan(constant=constant, high=high, tried=tuple(tried), days=days, allowed_per_year=false_per_year)


def alarms(rule: AlertRule, block_volume_l: FloatArray) -> list[int]:
    """Return the blocks at whose end the rule raises an alarm, one for each row of blocks; NaN is missing data."""
    out, row = [], 0
    for k, volume in enumerate(block_volume_l):
        row = rule.row_after(row, float(volume))
        if row == rule.n_blocks:
            out.append(k)
    return out


def _level(
    kind: AlertKind,
    ordinary: Blocks,
    whole: Blocks,
    n: int,
    days: float,
    allowed_per_year: float,
    losses: list[LeakLine],
    pulse_l: float,
) -> AlertLevel:
    block_min = ordinary.block_s / SECONDS_PER_MINUTE
    allowed = math.floor(allowed_per_year * days / DAYS_PER_YEAR + 1e-9)
    shorter = runs_at(ordinary, max(round(n / HEADROOM_TIME), 1))
    passing = float(shorter[allowed]) if shorter.size > allowed else 0.0
    level = max(HEADROOM * passing, LEVEL_PULSES * pulse_l / block_min)
    rule = AlertRule(kind=kind, level_lpm=level, lasting_s=n * ordinary.block_s, block_s=ordinary.block_s)
    count = len(alarms(rule, ordinary.volume_l))
    years = days / DAYS_PER_YEAR
    return AlertLevel(
        rule=rule,
        false_alarms=count,
        false_per_year=count / years,
        most_per_year=_most(count) / years,
        caught=(
            *(_own(rule, whole, loss) for loss in losses),
            *(_published(rule, figure(key)) for key in REFERENCES[kind]),
        ),
    )


def _most(count: int) -> float:
    """Upper 95 % bound of a count (Poisson, exact); 3.0 for none."""
    return float(gammaincinv(count + 1, 0.95))


def _own(rule: AlertRule, whole: Blocks, loss: LeakLine) -> Caught:
    first = whole.block_of(loss.since)
    stop = whole.block_of(loss.until) + 1
    raised = alarms(rule, whole.volume_l[first:stop])
    after_s = (raised[0] + 1) * rule.block_s if raised else math.inf
    lost = loss.rate_lpm * after_s / SECONDS_PER_MINUTE if raised else loss.volume_l
    name = f"{loss.kind} of {loss.since:%Y-%m-%d}" if not loss.fixture else f"{loss.fixture} {loss.kind}"
    return Caught(
        name=name, rate_lpm=loss.rate_lpm, after_s=after_s, lost_l=min(lost, loss.volume_l), own=True, source=""
    )


def _published(rule: AlertRule, record: Figure) -> Caught:
    rate = record.value_lpm
    lost = rule.lost_before_l(rate)
    after_s = rule.lasting_s if math.isfinite(lost) else math.inf
    name = record.name.removeprefix("common leak: ").removesuffix(", original table")
    return Caught(name=name, rate_lpm=rate, after_s=after_s, lost_l=lost, own=False, source=str(record.source))


def _best(levels: list[AlertLevel], *, interval_s: float) -> AlertLevel:
    # A record that is long enough at all is so for some duration of each kind, where its intervals are fine enough.
    if not levels:
        raise NotEnoughDataError(
            f"intervals of {interval_s / 3600.0:.3g} hours are too long to see how long a flow lasts: a high flow may "
            f"last {HIGH_MINUTES[-1] / 60.0:g} hours at most"
        )

    def loss(level: AlertLevel) -> float:
        unnoticed = UNNOTICED_DAYS * SECONDS_PER_DAY / SECONDS_PER_MINUTE
        return sum(min(c.lost_l, c.rate_lpm * unnoticed) for c in level.caught if not c.own)

    return min(levels, key=loss)
