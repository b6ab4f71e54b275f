"""Typical volume, flow and duration of one event of each label, as seen at the meter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import cast

from flowsift.errors import OptionError
from flowsift.labels import LABELS
from flowsift.standards.figures import Figure, Kind, figure, read_data

QUANTITIES = ("volume_l", "flow_lpm", "duration_s")
"""Quantities of a typical range: volume of the event [L], mean flow [L/min], duration [s]."""

BOUNDS = ("low", "typical", "high")


@dataclass(frozen=True, kw_only=True)
class Basis:
    """Where one number of a range comes from.

    Attributes
    ----------
    kind : str
        ``published``, ``common practice``, ``assumption`` or ``from memory``.
    figure : str or None
        Key of the published figure it is, or None for a practice or an assumption.
    note : str
        The reasoning, in words.

    Examples
    --------
    >>> from flowsift.standards import typical_ranges
    >>> typical_ranges()["flush"].volume_l.basis[0].figure
    'toilet.dual_flush_half'
    """

    kind: Kind
    figure: str | None
    note: str


@dataclass(frozen=True, kw_only=True)
class Spread:
    """Low, typical and high of one quantity, each with its basis.

    Attributes
    ----------
    low, high : float
        About nineteen in twenty events of ordinary homes lie between them.
    typical : float
        A middle value (a median where one is known, else a mean).
    basis : tuple of Basis
        Of `low`, `typical` and `high`, in that order.

    Examples
    --------
    >>> from flowsift.standards import typical_ranges
    >>> spread = typical_ranges()["shower"].volume_l
    >>> spread.low < spread.typical < spread.high
    True
    """

    low: float
    typical: float
    high: float
    basis: tuple[Basis, Basis, Basis]


@dataclass(frozen=True, kw_only=True)
class TypicalRange:
    """Typical range of one event of a label: a single fill of a washer, a single zone run, one refill of a toilet.

    Attributes
    ----------
    label : str
    volume_l, flow_lpm, duration_s : Spread
        Volume of the event [L], its mean flow [L/min], its duration [s].

    Examples
    --------
    >>> from flowsift.standards import typical_ranges
    >>> typical_ranges()["flush"].volume_l.low
    3.0
    """

    label: str
    volume_l: Spread
    flow_lpm: Spread
    duration_s: Spread


def typical_ranges() -> Mapping[str, TypicalRange]:
    """Return the typical range of every label in `flowsift.labels.LABELS`, in that order.

    Returns
    -------
    mapping of str to TypicalRange
        Read-only. Ranges cover what homes have today, not what the rules allow new ones: a toilet of the 1950s, a
        shower head of 4 L/min, a fill valve that takes minutes.

    Examples
    --------
    >>> from flowsift.standards import typical_ranges
    >>> list(typical_ranges())[:3]
    ['flush', 'shower', 'bathtub']
    """
    return _typical_ranges()


@cache
def _typical_ranges() -> MappingProxyType[str, TypicalRange]:
    numbers = {(r["label"], r["quantity"], r["bound"]): _number(r) for r in read_data("typical_ranges.csv")}
    return MappingProxyType(
        {
            label: TypicalRange(
                label=label,
                volume_l=_spread(numbers, label, "volume_l"),
                flow_lpm=_spread(numbers, label, "flow_lpm"),
                duration_s=_spread(numbers, label, "duration_s"),
            )
            for label in LABELS
        }
    )


_Numbers = Mapping[tuple[str, str, str], tuple[float, Basis]]


def _spread(numbers: _Numbers, label: str, quantity: str) -> Spread:
    low, typical, high = (numbers[label, quantity, bound] for bound in BOUNDS)
    return Spread(low=low[0], typical=typical[0], high=high[0], basis=(low[1], typical[1], high[1]))


def _number(row: dict[str, str]) -> tuple[float, Basis]:
    """Return the number of a row, taken from its figure where it names one."""
    if not row["figure"]:
        return float(row["value"]), Basis(kind=cast(Kind, row["kind"]), figure=None, note=row["note"])
    record = figure(row["figure"])
    value = _in_canonical_unit(record, row["quantity"])[("value", "low", "high").index(row["part"])]
    return value, Basis(kind=record.kind, figure=record.key, note=row["note"])


def _in_canonical_unit(record: Figure, quantity: str) -> tuple[float, float, float]:
    match quantity:
        case "volume_l":
            return record.value_l, *record.range_l
        case "flow_lpm":
            return record.value_lpm, *record.range_lpm
        case "duration_s":
            return record.value_s, *record.range_s
    raise OptionError(f"unknown quantity {quantity!r}; known: {', '.join(QUANTITIES)}")
