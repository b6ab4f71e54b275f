"""Published figures: one record a figure, each with its source."""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import Literal, cast, get_args

from flowsift.errors import OptionError
from flowsift.standards.conversion import flow_factor_lpm, time_factor_s, volume_factor_l
from flowsift.tables import Table

Kind = Literal["published", "common practice", "assumption", "from memory"]
"""How a figure is known: read in a page, usual in the trade, assumed here, or recalled and not checked."""

KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True, kw_only=True)
class Source:
    """Where figures come from.

    Attributes
    ----------
    key, title, publisher : str
    year : int or None
        Year of the standard, study or page; None where it prints none.
    link : str
        Address of a public body's page, empty where there is none.

    Examples
    --------
    >>> from flowsift.standards import figure
    >>> print(figure("toilet.flush_limit_gravity_tank").source)
    Energy Policy Act of 1992 conservation standards, 42 U.S.C. 6295, United States Code, 1992
    """

    key: str
    title: str
    year: int | None
    publisher: str
    link: str

    def __str__(self) -> str:
        """Return title, publisher and year in one line."""
        return ", ".join(part for part in (self.title, self.publisher, str(self.year or "")) if part)


@dataclass(frozen=True, kw_only=True)
class Figure:
    """One published figure, in the unit it was printed in.

    Attributes
    ----------
    key : str
        ``fixture.quantity``, followed by what tells it from its like.
    name : str
        What it is, in words.
    fixture : str
    statistic : str
        ``mean``, ``maximum``, ``typical``, ``range`` ...
    value, low, high : float
        NaN where the source gives none; a range has `low` and `high` only.
    unit : str
        As printed, see `flowsift.standards.conversion`.
    source : Source
    locator : str
        Section, table or page; empty where the whole source is meant.
    year : int or None
    kind : str
        One of `KINDS`.

    Examples
    --------
    >>> from flowsift.standards import figure
    >>> limit = figure("toilet.flush_limit_gravity_tank")
    >>> limit.value, limit.unit, round(limit.value_l, 2), limit.kind
    (1.6, 'gal/flush', 6.06, 'published')
    """

    key: str
    name: str
    fixture: str
    statistic: str
    value: float
    low: float
    high: float
    unit: str
    source: Source
    locator: str
    year: int | None
    kind: Kind

    @property
    def value_l(self) -> float:
        """Value of a volume [L]; raises `OptionError` for another quantity."""
        return self._converted(volume_factor_l)[0]

    @property
    def value_lpm(self) -> float:
        """Value of a flow [L/min]; raises `OptionError` for another quantity."""
        return self._converted(flow_factor_lpm)[0]

    @property
    def value_s(self) -> float:
        """Value of a time [s]; raises `OptionError` for another quantity."""
        return self._converted(time_factor_s)[0]

    @property
    def range_l(self) -> tuple[float, float]:
        """Low and high of a volume [L]; raises `OptionError` for another quantity."""
        return self._converted(volume_factor_l)[1:]

    @property
    def range_lpm(self) -> tuple[float, float]:
        """Low and high of a flow [L/min]; raises `OptionError` for another quantity."""
        return self._converted(flow_factor_lpm)[1:]

    @property
    def range_s(self) -> tuple[float, float]:
        """Low and high of a time [s]; raises `OptionError` for another quantity."""
        return self._converted(time_factor_s)[1:]

    def _converted(self, factor_of: Callable[[str], float]) -> tuple[float, float, float]:
        try:
            factor = factor_of(self.unit)
        except OptionError as error:
            raise OptionError(f"figure {self.key!r}: {error}") from None
        return self.value * factor, self.low * factor, self.high * factor


def figure(key: str) -> Figure:
    """Return the published figure of that key.

    Parameters
    ----------
    key : str
        As in the column ``key`` of `figures`.

    Returns
    -------
    Figure
        In the unit it was printed in, with its source.

    Raises
    ------
    OptionError
        If there is no such figure (the message lists those of the same fixture).

    Examples
    --------
    >>> figure("toilet.flush_limit_gravity_tank").value
    1.6
    """
    try:
        return _figures()[key]
    except KeyError:
        fixture = key.partition(".")[0]
        alike = [known for known in _figures() if known.startswith(fixture + ".")]
        known = alike or sorted({known.partition(".")[0] + "." for known in _figures()})
        raise OptionError(f"unknown figure {key!r}; known: {', '.join(known)}") from None


def figures() -> Table:
    """Return every figure, one row each: key, name, fixture, statistic, value, low, high, unit, source, ...

    Examples
    --------
    >>> from flowsift.standards import figures
    >>> table = figures()
    >>> sorted(set(table["kind"]) - {"assumption", "common practice", "from memory"})
    ['published']
    """
    columns = ("key", "name", "fixture", "statistic", "value", "low", "high", "unit", "locator", "year", "kind")
    table = Table({name: [getattr(f, name) for f in _figures().values()] for name in columns})
    table.insert(columns.index("locator"), "source", [f.source.key for f in _figures().values()])
    return Table(table.astype({"year": "Int64"}))


def source(key: str) -> Source:
    """Return the source of that key.

    Parameters
    ----------
    key : str
        As in the column ``source`` of `figures`.

    Returns
    -------
    Source

    Raises
    ------
    OptionError
        If there is no such source (the message lists the known ones).

    Examples
    --------
    >>> from flowsift.standards import source
    >>> source("usc-6295").publisher
    'United States Code'
    """
    try:
        return _sources()[key]
    except KeyError:
        raise OptionError(f"unknown source {key!r}; known: {', '.join(_sources())}") from None


def read_data(name: str) -> list[dict[str, str]]:
    """Return the rows of one of the package's own CSV files, as text."""
    text = files("flowsift.standards").joinpath("data", name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@cache
def _sources() -> MappingProxyType[str, Source]:
    rows = read_data("sources.csv")
    return MappingProxyType(
        {
            row["key"]: Source(
                key=row["key"],
                title=row["title"],
                year=_year(row["year"]),
                publisher=row["publisher"],
                link=row["link"],
            )
            for row in rows
        }
    )


@cache
def _figures() -> MappingProxyType[str, Figure]:
    rows = read_data("figures.csv")
    return MappingProxyType(
        {
            row["key"]: Figure(
                key=row["key"],
                name=row["name"],
                fixture=row["fixture"],
                statistic=row["statistic"],
                value=_number(row["value"]),
                low=_number(row["low"]),
                high=_number(row["high"]),
                unit=row["unit"],
                source=source(row["source"]),
                locator=row["locator"],
                year=_year(row["year"]),
                kind=cast(Kind, row["kind"]),
            )
            for row in rows
        }
    )


def _number(text: str) -> float:
    return float(text) if text else math.nan


def _year(text: str) -> int | None:
    return int(text) if text else None
