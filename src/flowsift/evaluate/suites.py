"""Named suites of simulated homes, fixed by seed and frozen by checksum."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cache
from types import MappingProxyType
from typing import Literal

import numpy as np

from flowsift.errors import OptionError
from flowsift.evaluate.checksums import frozen_checksums, suite_checksum
from flowsift.evaluate.homes import SimulatedHome
from flowsift.households import HARSH, Trickle
from flowsift.households.population import Stock
from flowsift.units import SECONDS_PER_DAY

Split = Literal["train", "validation", "test"]

SEEDS: Mapping[Split, range] = MappingProxyType(
    {"train": range(0, 100_000), "validation": range(100_000, 200_000), "test": range(200_000, 300_000)}
)
"""Seeds of each split: disjoint, so that no method is ever trained or tuned on a test home."""

STOCK_CYCLE: tuple[Stock, ...] = ("us", "us-efficient", "europe")
"""Building stocks by turns."""

PULSE_CYCLE_L = (0.03, 0.005, 0.1, 0.03)
"""Pulses of high-resolution meters, by turns [L]. Assumption: loggers on displacement meters lie at about 0.03."""


@dataclass(frozen=True, kw_only=True)
class Suite:
    """A set of homes that stands for a question.

    Attributes
    ----------
    name, question : str
    split : {"train", "validation", "test"}
    homes : tuple of SimulatedHome
    """

    name: str
    question: str
    split: Split
    homes: tuple[SimulatedHome, ...]

    def __post_init__(self) -> None:
        """Refuse a seed of another split, and two homes of one name."""
        outside = [home.seed for home in self.homes if home.seed not in SEEDS[self.split]]
        if outside:
            raise OptionError(f"suite {self.name!r}: seed {outside[0]} is not in the {self.split} range")
        if len({home.name for home in self.homes}) != len(self.homes):
            raise OptionError(f"suite {self.name!r}: two homes have one name")

    @property
    def checksum(self) -> str:
        """Checksum of the frozen checksums of all homes; empty if the suite was never frozen."""
        frozen = frozen_checksums().get(self.name, {})
        return suite_checksum(frozen[home.name] for home in self.homes) if frozen else ""


def suite(name: str) -> Suite:
    """Return a suite.

    Raises
    ------
    OptionError
        If the name is unknown (lists the known ones).
    """
    try:
        return suites()[name]
    except KeyError:
        raise OptionError(f"unknown suite {name!r}; known suites: {', '.join(suites())}") from None


@cache
def suites() -> Mapping[str, Suite]:
    """Return every suite by name."""
    quick = _ordinary_suite(
        "quick", "Does it work at all? Six ordinary homes for a week each.", first=SEEDS["test"][0], n=6, days=7
    )
    standard = _ordinary_suite(
        "standard",
        "How good is it on ordinary homes? 24 homes of three stocks, two weeks each at 1 s.",
        first=SEEDS["test"][1_000],
        n=24,
        days=14,
    )
    overlap = _overlap()
    made = (
        quick,
        standard,
        _read_every(standard, 10.0),
        _read_every(standard, 60.0),
        _resolution(),
        overlap,
        _read_every(overlap, 10.0),
        _leaks(),
        _hard(),
        _shifted(),
        _ordinary_suite(
            "validation",
            "The suite to tune on: twelve ordinary homes that are in no test suite.",
            first=SEEDS["validation"][0],
            n=12,
            days=14,
            split="validation",
        ),
    )
    return MappingProxyType({suite.name: suite for suite in made})


def training_homes(n: int, *, days: int = 14) -> tuple[SimulatedHome, ...]:
    """Return `n` homes to train on, metered at 1 s, stocks and pulses by turns.

    Parameters
    ----------
    n : int
        Number of homes, 0 to 100,000; their seeds lie apart from those of every test suite.
    days : int
        Days of each, >= 1.

    Returns
    -------
    tuple of SimulatedHome
        `load` gives the trace and the truth.

    Raises
    ------
    OptionError
        If `n` or `days` is out of its range.

    Examples
    --------
    >>> from flowsift.evaluate.suites import training_homes
    >>> trace, truth = training_homes(1, days=1)[0].load()
    >>> trace.duration_s
    86400.0
    """
    most = len(SEEDS["train"])
    if not 0 <= n <= most:
        raise OptionError(f"n must be 0 to {most:,}, got {n}")
    if days < 1:
        raise OptionError(f"days must be 1 or more, got {days}")
    return tuple(_ordinary(i, seed=SEEDS["train"][i], days=days, prefix="train") for i in range(n))


def _ordinary(i: int, *, seed: int, days: int, prefix: str) -> SimulatedHome:
    options = {"stock": STOCK_CYCLE[i % 3], "pulse_l": PULSE_CYCLE_L[i % 4], "interval_s": 1.0}
    return SimulatedHome(name=f"{prefix}-{i:03d}", seed=seed, days=days, options=options)


def _ordinary_suite(name: str, question: str, *, first: int, n: int, days: int, split: Split = "test") -> Suite:
    homes = tuple(_ordinary(i, seed=first + i, days=days, prefix=name) for i in range(n))
    return Suite(name=name, question=question, split=split, homes=homes)


def _read_every(fine: Suite, interval_s: float) -> Suite:
    """Return the suite with the same homes and meters, read at a longer interval."""
    return replace(
        fine,
        name=f"{fine.name}-{interval_s:g}s",
        question=f"The homes of {fine.name}, their meters read every {interval_s:g} s.",
        homes=tuple(
            replace(home, name=f"{home.name}-{interval_s:g}s", options={**home.options, "interval_s": interval_s})
            for home in fine.homes
        ),
    )


def _resolution() -> Suite:
    first = SEEDS["test"][2_000]
    return Suite(
        name="resolution",
        question="What does a coarser interval or pulse cost? The same four homes for a week at every combination.",
        split="test",
        homes=tuple(
            SimulatedHome(
                name=f"resolution-{i}-{interval_s:g}s-{pulse_l:g}L",
                seed=first + i,
                days=7,
                options={"stock": STOCK_CYCLE[i % 3], "interval_s": float(interval_s), "pulse_l": pulse_l},
            )
            for interval_s in (1, 2, 5, 10, 30, 60)
            for pulse_l in (0.01, 0.1, 1.0, 10.0)
            for i in range(4)
        ),
    )


def _overlap() -> Suite:
    first = SEEDS["test"][3_000]
    return Suite(
        name="overlap",
        question="Can it take apart what runs at once? Eight homes for a week, twelve times a day two to four fixtures "
        "at once.",
        split="test",
        homes=tuple(
            SimulatedHome(
                name=f"overlap-{i}",
                seed=first + i,
                days=7,
                options={
                    "stock": STOCK_CYCLE[i % 3],
                    "pulse_l": 0.01,
                    "people": 4,
                    "include": ("bathtub", "second shower"),
                    "leaks": (),
                    "together_per_d": 12,
                },
            )
            for i in range(8)
        ),
    )


def _leaks() -> Suite:
    first = SEEDS["test"][4_000]
    rates_lpm = np.geomspace(0.0007, 1.0, 16)
    homes = []
    for i in range(24):
        # Every third home has no leak: it can only raise a false alarm.
        rate = None if i % 3 == 2 else float(round(rates_lpm[i - i // 3], 5))
        begin_s, stop_s = (3.0 + i % 4) * SECONDS_PER_DAY + 1e3 * i, (9.0 + i % 7) * SECONDS_PER_DAY
        leaks = () if rate is None else (Trickle(rate_lpm=rate, from_s=begin_s, to_s=stop_s),)
        # A meter that registers any flow: what is scored is the method, not the meter's starting flow.
        options = {
            "stock": STOCK_CYCLE[i % 2],
            "pulse_l": (0.01, 0.1, 1.0)[(i // 3) % 3],
            "starting_lpm": 0.0,
            "leaks": leaks,
        }
        homes.append(SimulatedHome(name=f"leaks-{i:02d}", seed=first + i, days=14, options=options))
    return Suite(
        name="leaks",
        question="How small a constant leak does it find, how soon, and how often does it cry wolf? 24 homes for two "
        "weeks, 16 of them with a leak of 0.0007 to 1 L/min that begins and is mended; the meter registers any flow.",
        split="test",
        homes=tuple(homes),
    )


def _hard() -> Suite:
    first = SEEDS["test"][5_000]
    return Suite(
        name="hard",
        question="What is left when everything is against it? Eight crowded homes at 5 s and 0.25 L a pulse, and a bad "
        "logger: lost, doubled and disordered rows, gaps, noise, a clock that drifts.",
        split="test",
        homes=tuple(
            SimulatedHome(
                name=f"hard-{i}",
                seed=first + i,
                days=10,
                options={
                    "stock": STOCK_CYCLE[i % 3],
                    "interval_s": 5.0,
                    "pulse_l": 0.25,
                    "people": 4 + i % 3,
                    "faults": HARSH,
                },
            )
            for i in range(8)
        ),
    )


def _shifted() -> Suite:
    first = SEEDS["test"][6_000]
    return Suite(
        name="shifted",
        question="Does it carry over to homes of another kind? Twelve homes of the shifted population, two weeks each.",
        split="test",
        homes=tuple(
            SimulatedHome(
                name=f"shifted-{i:02d}",
                seed=first + i,
                days=14,
                options={"stock": STOCK_CYCLE[i % 3], "population": "shifted", "pulse_l": PULSE_CYCLE_L[i % 4]},
            )
            for i in range(12)
        ),
    )
