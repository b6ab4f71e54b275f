"""Homes to score on: a recipe for a simulated one, or a folder of labelled data."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any, Protocol

from flowsift.evaluate.open_data import APARTMENT, read_apartment
from flowsift.households import Household, Truth, simulate
from flowsift.trace import Trace

Condition = Mapping[str, float]
"""What a home was recorded under, for tables and plots: interval_s, pulse_l."""


class LabelledHome(Protocol):
    """A home with known truth. Loading is repeatable: the same trace and truth every time."""

    @property
    def name(self) -> str:
        """Name that is unique in its suite and fit for a file."""
        ...

    @property
    def condition(self) -> Condition:
        """What it was recorded under."""
        ...

    def load(self) -> tuple[Trace, Truth]:
        """Return the trace that a method gets, and the truth that it never sees."""
        ...


@dataclass(frozen=True, kw_only=True)
class SimulatedHome:
    """A recipe for a simulated home.

    Attributes
    ----------
    name : str
    seed : int
    days : int
    options : mapping
        Further options of `flowsift.households.simulate`.
    """

    name: str
    seed: int
    days: int
    options: Mapping[str, Any] = field(default_factory=dict)

    @property
    def condition(self) -> Condition:
        """Interval [s] and pulse [L]."""
        return {"interval_s": self.options.get("interval_s", 1.0), "pulse_l": self.options.get("pulse_l", 0.03)}

    def load(self) -> tuple[Trace, Truth]:
        """Simulate the home."""
        household = simulate(self.seed, days=self.days, **self.options)
        return household.trace, household.truth


@dataclass(frozen=True, kw_only=True)
class RecordedHome:
    """A folder with a trace and its truth, in the form of `flowsift.households.Household.write`."""

    folder: Path

    @property
    def name(self) -> str:
        """Name of the folder."""
        return self.folder.name

    @property
    def condition(self) -> Condition:
        """Nothing is known before it is read."""
        return MappingProxyType({})

    def load(self) -> tuple[Trace, Truth]:
        """Read the trace and the truth."""
        household = Household.read(self.folder)
        return household.trace, household.truth


@dataclass(frozen=True, kw_only=True)
class OpenApartment:
    """The open apartment, read in place."""

    folder: Path
    name: str = APARTMENT
    condition: Condition = field(default_factory=lambda: {"interval_s": 1.0, "pulse_l": 0.002})

    def load(self) -> tuple[Trace, Truth]:
        """Read the trace and the truth."""
        return read_apartment(self.folder)
