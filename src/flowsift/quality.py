"""What was found wrong with a trace, what was assumed about it, and what was done."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import pandas as pd

from flowsift.tables import Table

FindingKind = Literal["fault", "assumption", "limit"]


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
