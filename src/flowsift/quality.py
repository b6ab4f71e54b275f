"""What was found wrong with a trace, what was assumed about it, and what was done."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import pandas as pd

from flowsift.amounts import SI, US, Amounts
from flowsift.tables import Table
from flowsift.units import UnitSystem

FindingKind = Literal["fault", "assumption", "limit"]


Amount = Callable[[Amounts], str]
"""Says an amount in a unit system."""


def volume(litres: float) -> Amount:
    """Return what says a volume: ``0.05 L`` or ``0.0132 gal``."""
    return lambda say: say.exact(litres)


def flow(lpm: float) -> Amount:
    """Return what says a flow: ``0.117 L/min`` or ``0.0309 gal/min``."""
    return lambda say: f"{say.exact(lpm)}/min"


def in_both(amount: Amount) -> str:
    """Return an amount in both unit systems: ``3,407 L (900 gal)``, where the reader's isn't known."""
    return f"{amount(SI)} ({amount(US)})"


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One thing to know about a trace.

    Attributes
    ----------
    kind : {"fault", "assumption", "limit"}
        A fault of the data, an assumption made to read it, or a limit of what it can tell.
    what : str
        Short name: ``missing intervals``, ``duplicate rows``, ``unit``.
    count : int
        How many rows or intervals it concerns (0 where counting makes no sense).
    treatment : str
        What was done, or what follows from it, in one plain sentence.
    first_ns : int or None
        UTC nanoseconds of the first occurrence.
    treatment_us : str
        The treatment in US customary units, where it names an amount.

    Examples
    --------
    >>> import flowsift as fs
    >>> trace = fs.Trace.from_volumes([0.0, 60.0, 180.0, 240.0], [0.0, 6.0, 0.0, 1.0])
    >>> [finding.kind for finding in trace.findings if finding.what == "missing intervals"]
    ['fault']
    """

    kind: FindingKind
    what: str
    count: int = 0
    treatment: str = ""
    first_ns: int | None = None
    treatment_us: str = ""

    def said(self, units: UnitSystem = "si") -> str:
        """Return the treatment in litres, or in US gallons (``"us"``)."""
        return self.treatment_us if units == "us" and self.treatment_us else self.treatment


def finding_of(
    treatment: str,
    *amounts: Amount,
    kind: FindingKind,
    what: str,
    count: int = 0,
    first_ns: int | None = None,
) -> Finding:
    """Return a finding whose treatment names amounts, which fill the ``{}`` in it."""
    si, us = (treatment.format(*(amount(say) for amount in amounts)) for say in (SI, US))
    us = us if us != si else ""
    return Finding(kind=kind, what=what, count=count, treatment=si, first_ns=first_ns, treatment_us=us)


def findings_table(findings: tuple[Finding, ...]) -> Table:
    """Return the findings as a table: kind, what, count, first (UTC), treatment."""
    return Table(
        {
            "kind": pd.Series([f.kind for f in findings], dtype="str"),
            "what": pd.Series([f.what for f in findings], dtype="str"),
            "count": pd.Series([f.count for f in findings], dtype="int64"),
            "first": pd.to_datetime(pd.Series([f.first_ns for f in findings], dtype="Int64"), utc=True),
            "treatment": pd.Series([f.treatment for f in findings], dtype="str"),
        }
    )
