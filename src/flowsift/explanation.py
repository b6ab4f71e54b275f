"""Why an event got its label, in figures and in plain words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from flowsift.amounts import Amounts
from flowsift.arrays import BoolArray, FloatArray, IntArray
from flowsift.digits import plain
from flowsift.labels import LABELS, label_words
from flowsift.standards import Spread, figure, typical_ranges
from flowsift.units import SECONDS_PER_MINUTE, UnitSystem

Quantity = Literal["volume_l", "flow_lpm", "duration_s"]
"""What a typical range is about."""

_KIND_WORDS: dict[str, str] = {"assumption": "assumed"}

_IN_MINUTES_S = 600.0
"""Longer times are written in minutes [s]."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Reasons:
    """What a method thought of each event, one row an event.

    Attributes
    ----------
    label_probability : ndarray, shape (n_events, n_labels)
        Probability of every label, in the order of `flowsift.labels.LABELS`; rows add up to 1.
    told : ndarray of bool, shape (n_events,)
        Events whose label somebody wrote down.
    """

    label_probability: FloatArray
    told: BoolArray

    def reordered(self, order: IntArray) -> Reasons:
        """Return the rows in another order."""
        return Reasons(label_probability=self.label_probability[order], told=self.told[order])

    def runner_up(self, row: int, label: str) -> tuple[str, float]:
        """Return the likeliest label of an event beside its own, and its probability."""
        probability = self.label_probability[row].copy()
        probability[LABELS.index(label)] = -1.0
        best = int(probability.argmax())
        return LABELS[best], float(probability[best])


@dataclass(frozen=True, kw_only=True)
class RangeReading:
    """One figure of an event beside the typical range of its label.

    Attributes
    ----------
    quantity : str
        ``volume_l`` [L], ``flow_lpm`` (mean flow [L/min]) or ``duration_s`` [s].
    value : float
    spread : Spread
        Low, typical and high of the label, each with its basis.
    """

    quantity: Quantity
    value: float
    spread: Spread

    @property
    def inside(self) -> bool:
        """Whether the value lies in the range; half a per cent over it counts as in it."""
        return self.spread.low * 0.995 <= self.value <= self.spread.high * 1.005

    @property
    def sources(self) -> tuple[str, ...]:
        """Keys of the published figures behind low, typical and high, without those that rest on none."""
        return tuple(basis.figure for basis in self.spread.basis if basis.figure is not None)

    @property
    def basis(self) -> str:
        """How low and high are known, in words: ``published``, ``assumed, published`` where they differ."""
        kinds = (basis.kind for basis in (self.spread.basis[0], self.spread.basis[2]))
        return ", ".join(dict.fromkeys(_KIND_WORDS.get(kind, kind) for kind in kinds))


@dataclass(frozen=True, kw_only=True)
class Likeness:
    """The fixture that an event resembles, as the table of fixtures has it.

    Attributes
    ----------
    fixture : str
    uses : int
        Uses (loads or cycles, for what works in them) of the fixture, this one among them.
    typical_volume_l, low_l, high_l : float
        Median volume of a use and its 90 % interval [L].
    typical_lpm : float
        Median flow [L/min].
    """

    fixture: str
    uses: int
    typical_volume_l: float
    low_l: float
    high_l: float
    typical_lpm: float


@dataclass(frozen=True, kw_only=True)
class Cycle:
    """The load or irrigation cycle that an event is part of.

    Attributes
    ----------
    number, n_events : int
        Number of the cycle among those of its label, and events in it.
    volume_l : float
        Volume of the whole cycle [L].
    """

    number: int
    n_events: int
    volume_l: float


@dataclass(frozen=True, kw_only=True)
class Explanation:
    """Why an event got its label; ``str()`` gives the text.

    Attributes
    ----------
    label : str
    probability : float
        Probability of the label, 0 to 1.
    told : bool
        Whether somebody wrote the label down.
    ranges : tuple of RangeReading
        Volume, mean flow and duration beside the typical range of the label.
    resembles : Likeness
        Its fixture.
    cycle : Cycle or None
        None for an event that is no part of a load or an irrigation cycle.
    runner_up : str or None
        The next likeliest label; None where the method kept none.
    runner_up_probability : float
        NaN where the method kept none.
    units : {"si", "us"}
        Units of the text.
    """

    label: str
    probability: float
    told: bool
    ranges: tuple[RangeReading, ...]
    resembles: Likeness
    cycle: Cycle | None
    runner_up: str | None
    runner_up_probability: float
    units: UnitSystem

    @property
    def text(self) -> str:
        """The reasons in a few plain sentences."""
        parts = (self._verdict(), self._next(), *self._in_ranges(), self._in_cycle(), self._likeness())
        return " ".join(part for part in parts if part)

    @property
    def sources(self) -> tuple[str, ...]:
        """Sources of the published figures behind the ranges, each once: title, publisher, year."""
        keys = (key for reading in self.ranges for key in reading.sources)
        return tuple(dict.fromkeys(str(figure(key).source) for key in keys))

    def __str__(self) -> str:
        """Return the text."""
        return self.text

    @property
    def _undecided(self) -> bool:
        """Whether it is ``other`` because no label was likely enough."""
        return self.runner_up is not None and self.runner_up_probability > self.probability

    def _verdict(self) -> str:
        words = label_words(self.label).capitalize()
        if self.told:
            return f"{words}, as it was written down."
        if self._undecided:
            return f"{words}: no label is likely enough."
        return f"{words}, {_percent(self.probability)} sure."

    def _next(self) -> str:
        if self.runner_up is None or self.told:
            return ""
        if self.runner_up_probability < 0.005:
            return "Nothing else comes near."
        name = "Nearest" if self._undecided else "Next"
        return f"{name}: {label_words(self.runner_up)}, {_percent(self.runner_up_probability)}."

    def _in_ranges(self) -> list[str]:
        """Say what lies in the usual range of the label and what outside; ``other`` has none that says anything."""
        if self._undecided:
            return []
        inside = [self._reading(reading) for reading in self.ranges if reading.inside]
        outside = [self._reading(reading) for reading in self.ranges if not reading.inside]
        return [
            f"{where} the usual range: {'; '.join(parts)}."
            for where, parts in (("In", inside), ("Outside", outside))
            if parts
        ]

    def _reading(self, reading: RangeReading) -> str:
        name = reading.quantity
        low, high = (_amount(value, name, self.units) for value in (reading.spread.low, reading.spread.high))
        return f"{_amount(reading.value, name, self.units)} ({_between(low, high)}, {reading.basis})"

    def _in_cycle(self) -> str:
        if self.cycle is None:
            return ""
        if self.cycle.n_events == 1:
            return f"It is cycle {self.cycle.number} by itself."
        volume = _amount(self.cycle.volume_l, "volume_l", self.units)
        return f"One of {self.cycle.n_events} events of cycle {self.cycle.number}, {volume} in all."

    def _likeness(self) -> str:
        like = self.resembles
        kind = "use" if self.cycle is None else "cycle"
        if like.uses == 1:
            return f"The only {kind} of {like.fixture}."
        volume, low, high = (
            _amount(value, "volume_l", self.units) for value in (like.typical_volume_l, like.low_l, like.high_l)
        )
        flow = _amount(like.typical_lpm, "flow_lpm", self.units)
        return f"Put with {like.fixture}: {like.uses:,} {kind}s, typically {volume} ({_between(low, high)}) at {flow}."


def range_readings(label: str, *, volume_l: float, flow_lpm: float, duration_s: float) -> tuple[RangeReading, ...]:
    """Return an event's volume, mean flow and duration beside the typical range of a label.

    Parameters
    ----------
    label : str
        One of `flowsift.labels.LABELS`.
    volume_l, flow_lpm, duration_s : float
    """
    usual = typical_ranges()[label]
    return (
        RangeReading(quantity="volume_l", value=volume_l, spread=usual.volume_l),
        RangeReading(quantity="flow_lpm", value=flow_lpm, spread=usual.flow_lpm),
        RangeReading(quantity="duration_s", value=duration_s, spread=usual.duration_s),
    )


def _amount(value: float, quantity: Quantity, units: UnitSystem) -> str:
    if quantity == "duration_s":
        return f"{value / SECONDS_PER_MINUTE:,.0f} min" if value > _IN_MINUTES_S else f"{value:,.0f} s"
    say = Amounts(units=units)
    return say.flow(value) if quantity == "flow_lpm" else f"{plain(say.number(value))} {say.unit}"


def _percent(probability: float) -> str:
    if 0.995 < probability < 1.0:
        return "over 99 %"
    return f"{100 * probability:.0f} %"


def _between(low: str, high: str) -> str:
    """Join two amounts, the unit written once where it is one: ``3.00 to 26.5 L``."""
    number, _, unit = low.partition(" ")
    return f"{number if high.endswith(f' {unit}') else low} to {high}"
