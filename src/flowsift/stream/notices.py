"""What a live home gives out: settled events, alerts, and changes of the trickle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Literal, TypeAlias

import pandas as pd

from flowsift.amounts import Amounts
from flowsift.study.alerts import AlertKind
from flowsift.units import NS_PER_S, SECONDS_PER_MINUTE, UnitSystem, us_column


@dataclass(frozen=True, kw_only=True)
class SettledEvent:
    """One use of one fixture, final.

    Attributes
    ----------
    number : int
        Place among all notices of the home, from 1; the same whatever the chunks and however often it was resumed.
    start_ns, end_ns : int
        UTC nanoseconds; half-open.
    volume_l, peak_lpm : float
    label, fixture : str
    probability : float
        Of the label, 0 to 1.
    cycle : int or None
        Number of the load or irrigation cycle among those of its label since the feed began.
    overlaps : bool
        Another use ran at the same time.
    cut : bool
        Flow went on for so long that the use was settled by force: it is only a part.

    Examples
    --------
    >>> from flowsift.stream import SettledEvent
    >>> event = SettledEvent(
    ...     number=1,
    ...     start_ns=1_718_000_000_000_000_000,
    ...     end_ns=1_718_000_060_000_000_000,
    ...     volume_l=6.0,
    ...     peak_lpm=7.5,
    ...     label="flush",
    ...     probability=0.9,
    ...     fixture="toilet-1",
    ...     cycle=None,
    ...     overlaps=False,
    ...     cut=False,
    ... )
    >>> event.duration_s, event.mean_lpm
    (60.0, 6.0)
    """

    number: int
    start_ns: int
    end_ns: int
    volume_l: float
    peak_lpm: float
    label: str
    probability: float
    fixture: str
    cycle: int | None
    overlaps: bool
    cut: bool

    @property
    def duration_s(self) -> float:
        """Time from start to end [s]."""
        return (self.end_ns - self.start_ns) / NS_PER_S

    @property
    def mean_lpm(self) -> float:
        """Mean flow [L/min]."""
        return self.volume_l / (self.duration_s / SECONDS_PER_MINUTE)

    def record(self, *, units: UnitSystem = "si") -> dict[str, Any]:
        """Return what JSON can hold, in litres or in gallons (names of the fields say which)."""
        fields = {
            "number": self.number,
            "kind": "event",
            "start": stamp(self.start_ns),
            "end": stamp(self.end_ns),
            "duration_s": self.duration_s,
            "volume_l": self.volume_l,
            "mean_lpm": self.mean_lpm,
            "peak_lpm": self.peak_lpm,
            "label": self.label,
            "probability": self.probability,
            "fixture": self.fixture,
            "cycle": self.cycle,
            "overlaps": self.overlaps,
            "cut": self.cut,
        }
        return _in_units(fields, units)


@dataclass(frozen=True, kw_only=True)
class Alert:
    """A rule that was met, or is over.

    Attributes
    ----------
    number : int
        As in `SettledEvent`.
    state : {"raised", "over"}
    rule : {"constant flow", "high flow"}
    level_lpm, lasting_s : float
        What the rule asks for.
    since_ns, at_ns : int
        Start of the flow that met it, and the end of the last block that did (for "over", of the block before the
        one that broke the row).
    volume_l : float
        Volume metered between the two [L], whatever ran.

    Examples
    --------
    >>> from flowsift.stream import Alert
    >>> alert = Alert(
    ...     number=1,
    ...     state="raised",
    ...     rule="constant flow",
    ...     level_lpm=0.1,
    ...     lasting_s=21_600.0,
    ...     since_ns=1_718_000_000_000_000_000,
    ...     at_ns=1_718_021_600_000_000_000,
    ...     volume_l=42.0,
    ... )
    >>> alert.record()["volume_l"]
    42.0
    """

    number: int
    state: Literal["raised", "over"]
    rule: AlertKind
    level_lpm: float
    lasting_s: float
    since_ns: int
    at_ns: int
    volume_l: float

    def text(self, *, units: UnitSystem = "si") -> str:
        """Return one plain sentence."""
        hours = (self.at_ns - self.since_ns) / NS_PER_S / 3600.0
        lasting = f"{hours:.3g} hours" if hours >= 1.5 else f"{60 * hours:.3g} minutes"
        say = Amounts(units=units)
        what = f"Water ran at {say.flow(self.level_lpm)} or more for {lasting}"
        volume = say.volume(self.volume_l)
        if self.state == "over":
            return f"{what}, {volume} in all; it has stopped or fallen below that."
        return f"{what} without a break, {volume} so far."

    def record(self, *, units: UnitSystem = "si") -> dict[str, Any]:
        """Return what JSON can hold, in litres or in gallons (names of the fields say which)."""
        fields = {
            "number": self.number,
            "kind": "alert",
            "state": self.state,
            "rule": self.rule,
            "level_lpm": self.level_lpm,
            "lasting_s": self.lasting_s,
            "since": stamp(self.since_ns),
            "at": stamp(self.at_ns),
            "volume_l": self.volume_l,
            "text": self.text(units=units),
        }
        return _in_units(fields, units)


@dataclass(frozen=True, kw_only=True)
class TrickleChange:
    """A constant flow under everything that was found, changed its rate, or ended.

    Attributes
    ----------
    number : int
        As in `SettledEvent`.
    state : {"found", "changed", "ended"}
    since_ns, at_ns : int
        Since when it runs, and when that was known (for "ended", its end).
    rate_lpm, low_lpm, high_lpm : float
        Rate and its 90 % interval [L/min].

    Examples
    --------
    >>> from flowsift.stream import TrickleChange
    >>> change = TrickleChange(
    ...     number=1,
    ...     state="found",
    ...     since_ns=1_718_000_000_000_000_000,
    ...     at_ns=1_718_021_600_000_000_000,
    ...     rate_lpm=0.12,
    ...     low_lpm=0.11,
    ...     high_lpm=0.13,
    ... )
    >>> change.record()["rate_lpm"]
    0.12
    """

    number: int
    state: Literal["found", "changed", "ended"]
    since_ns: int
    at_ns: int
    rate_lpm: float
    low_lpm: float
    high_lpm: float

    def record(self, *, units: UnitSystem = "si") -> dict[str, Any]:
        """Return what JSON can hold, in litres or in gallons (names of the fields say which)."""
        fields = {
            "number": self.number,
            "kind": "trickle",
            "state": self.state,
            "since": stamp(self.since_ns),
            "at": stamp(self.at_ns),
            "rate_lpm": self.rate_lpm,
            "low_lpm": self.low_lpm,
            "high_lpm": self.high_lpm,
        }
        return _in_units(fields, units)


Notice: TypeAlias = SettledEvent | Alert | TrickleChange


def _in_units(fields: dict[str, Any], units: UnitSystem) -> dict[str, Any]:
    if units == "si":
        return fields
    named = {name: us_column(name) for name in fields}
    return {new: fields[name] if litres == 1.0 else fields[name] / litres for name, (new, litres) in named.items()}


def stamp(ns: int) -> str:
    """Return a time as ISO 8601 text in UTC."""
    return pd.Timestamp(ns, unit="ns", tz="UTC").isoformat().replace("+00:00", "Z")
