"""Intervals that several rows claim."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from flowsift.arrays import BoolArray
from flowsift.errors import InputError
from flowsift.ingest.findings import clock_findings, placing_findings
from flowsift.ingest.placing import Placed
from flowsift.ingest.rows import OrderedRows
from flowsift.quality import Finding

CONFLICT = "conflicting rows"

MOST_CONFLICTS = 0.8
"""Share of the intervals with flow up to which rows may contradict each other: a clock went wrong for a while. Rows
that do so nearly wherever water runs are of several meters (assumption)."""

FEW_CONFLICTS = 10
"""So many intervals of conflict show nothing, whatever their share."""

SEVERAL_METERS = "give different values for one interval (several meters in one file?)"


def why_contested(findings: list[Finding]) -> str:
    """Return the end of an error about too few values: that rows contradict each other, empty if they don't."""
    conflict = next((finding for finding in findings if finding.what == CONFLICT), None)
    if conflict is None:
        return ""
    return f": {conflict.count:,} rows {SEVERAL_METERS}"


def settle_contested(
    rows: OrderedRows,
    placed: Placed,
    usable: BoolArray,
    interval_ns: int,
    findings: list[Finding],
    *,
    column: str,
) -> tuple[OrderedRows, Placed, BoolArray]:
    """Settle cells that several rows claim: equal values are one row, unequal ones leave the cell missing.

    Neither row is better than the other, whichever came first in the file, so none is chosen. Rows of a fine stretch,
    and neighbours that a drifting clock put into one cell, don't contest: they add up.

    Raises
    ------
    InputError
        Rows contradict each other in most intervals with flow.
    """
    if rows.regular_ns == interval_ns:
        return rows, placed, usable
    step = np.diff(placed.cell)
    if not step.size or step.min() > 0:
        findings += clock_findings(rows.ns, rows.segment, interval_ns, contested=False)
        findings += placing_findings(placed, rows.ns, interval_ns=interval_ns)
        return rows, placed, usable
    clash = (step == 0) & (np.diff(rows.ns) < 0.5 * interval_ns)
    if placed.fine is not None:
        clash &= ~(placed.fine[1:] & (np.diff(rows.ns) > 0))
    replayed = False
    if rows.segment is not None:
        other_pass = (step == 0) & (np.diff(rows.segment) != 0)
        clash |= other_pass
        # one late row that differs is a conflict, not a clock
        replayed = int(other_pass.sum()) >= 2
    findings += clock_findings(rows.ns, rows.segment, interval_ns, contested=replayed)
    findings += placing_findings(placed, rows.ns, interval_ns=interval_ns)
    if not clash.any():
        return rows, placed, usable
    first = np.flatnonzero(np.concatenate([[True], step > 0]))
    group = np.cumsum(np.concatenate([[0], step > 0]))
    contested = np.logical_or.reduceat(np.concatenate([[False], clash]), first)
    low = np.fmin.reduceat(rows.value, first)
    high = np.fmax.reduceat(rows.value, first)
    agree = (low == high) | np.isnan(low)
    # keep the first row of a contested cell, and every row of the others
    keep = ~contested[group] | np.concatenate([[True], step > 0])
    value = np.where(contested[group], low[group], rows.value)[keep]
    conflict = contested & ~agree
    differs = conflict[group]
    if conflict.sum() > max(FEW_CONFLICTS, MOST_CONFLICTS * (high > 0).sum()):
        raise InputError(
            f"found {int(differs.sum()):,} rows that {SEVERAL_METERS}",
            row=rows.at(int(np.flatnonzero(differs)[1])),
            column=column,
        )
    n_repeated = int((~keep & ~differs).sum())
    if n_repeated:
        findings.append(
            Finding(
                kind="fault",
                what="repeated intervals",
                count=n_repeated,
                treatment="Rows that repeat the interval and the value of another were dropped.",
                first_ns=int(rows.ns[~keep & ~differs][0]),
            )
        )
    if differs.any():
        findings.append(
            Finding(
                kind="fault",
                what=CONFLICT,
                count=int(differs.sum()),
                treatment=f"Rows that give different values for one interval: none can be preferred, so "
                f"{int(conflict.sum()):,} intervals are missing "
                f"(the first has {low[conflict][0]:.6g} and {high[conflict][0]:.6g}).",
                first_ns=int(rows.ns[differs][0]),
            )
        )
    rows = OrderedRows(
        ns=rows.ns[keep],
        value=value,
        position=np.flatnonzero(keep) if rows.position is None else rows.position[keep],
        segment=None,
        findings=rows.findings,
    )
    placed = replace(
        placed,
        cell=placed.cell[keep],
        length=None if placed.length is None else placed.length[keep],
        coarse=None if placed.coarse is None else placed.coarse[keep],
        fine=None if placed.fine is None else placed.fine[keep],
    )
    return rows, placed, ~np.isnan(value) & ~differs[keep]
