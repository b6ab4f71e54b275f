"""Homes to score on: a recipe for a simulated one, or a folder of labelled data."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from types import MappingProxyType
from typing import Any, Protocol

import numpy as np
import pandas as pd

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


def home_checksum(trace: Trace, truth: Truth) -> str:
    """Return a checksum of a trace and its truth; volumes enter to the microlitre, so that rounding doesn't matter."""
    digest = hashlib.sha256()

    def add(values: Any) -> None:
        digest.update(np.ascontiguousarray(values).tobytes())

    add(np.array([trace.start_ns, trace.interval_ns, trace.n_cells], np.int64))
    for cells in (trace.cell, trace.gaps, truth.shares.event, truth.shares.cell, truth.trickle_cells.cell):
        add(cells.astype("<i8"))
    for table in (truth.events, truth.trickle):
        for edge in ("start", "end"):
            add(pd.DatetimeIndex(table[edge]).as_unit("ms").asi8.astype("<i8"))
    for volumes in (trace.volume_l, truth.shares.volume_l, truth.trickle_cells.volume_l, truth.trickle["rate_lpm"]):
        add(np.rint(np.asarray(volumes, np.float64) * 1e6).astype("<i8"))
    digest.update("\n".join([*truth.events["label"], *truth.events["fixture"]]).encode())
    return digest.hexdigest()[:16]
