"""One row per pulse, counted on a grid."""

from __future__ import annotations

import numpy as np

from flowsift import quality
from flowsift.arrays import IntArray
from flowsift.errors import InputError
from flowsift.ingest.cells import ranges_of
from flowsift.ingest.checking import require_span
from flowsift.ingest.findings import gap_findings, limit_findings
from flowsift.ingest.gridded import Gridded
from flowsift.ingest.limits import spike_limit_l
from flowsift.ingest.options import checked_interval_ns, checked_pulse_l
from flowsift.quality import Finding

FINE_STAMP_NS = 100_000_000
"""Stamps finer than this are never equal for two pulses; stamps in whole seconds often are."""


def grid_pulses(ns: IntArray, *, pulse_l: float, interval_s: float = 1.0, column: str = "pulse_times") -> Gridded:
    """Count pulses on a regular grid; every interval from the first to the last pulse is known.

    Parameters
    ----------
    ns : ndarray of int64, shape (n_pulses,)
        Time of each pulse, in any order, n_pulses >= 1.
    pulse_l : float
        Volume of one pulse [L], > 0.
    interval_s : float
        Length of a cell [s]; cells start at whole multiples of it since the epoch.
    column : str
        Name of the times in an error.

    Raises
    ------
    InputError
        No pulses, or mostly impossible flow (is the pulse volume right?).
    OptionError
        If `pulse_l` or `interval_s` isn't positive.
    """
    pulse_l = checked_pulse_l(pulse_l)
    interval_ns = checked_interval_ns(interval_s)
    if ns.size == 0:
        raise InputError("found no rows, expected at least one pulse", column=column)
    require_span(ns, column=column)
    findings: list[Finding] = []
    late = ns < np.maximum.accumulate(ns)
    if late.any():
        findings.append(
            Finding(
                kind="fault",
                what="rows out of order",
                count=int(late.sum()),
                treatment="Pulses that came after a later one were sorted by time.",
                first_ns=int(ns[late].min()),
            )
        )
        ns = np.sort(ns)
    repeated = np.concatenate([[False], ns[1:] == ns[:-1]])
    if repeated.any() and (ns % FINE_STAMP_NS).any():
        findings.append(
            Finding(
                kind="fault",
                what="duplicate rows",
                count=int(repeated.sum()),
                treatment="Pulses with the very time of another were dropped.",
                first_ns=int(ns[repeated][0]),
            )
        )
        ns = ns[~repeated]
    start_ns = int(ns[0] // interval_ns) * interval_ns
    cell, count = np.unique((ns - start_ns) // interval_ns, return_counts=True)
    n_cells = int(cell[-1]) + 1
    volume = count.astype(np.float64) * float(pulse_l)
    spike = volume > spike_limit_l(None, interval_ns=interval_ns, pulse_l=pulse_l)
    if spike.any():
        if spike.all() or spike.sum() > max(3, 0.05 * cell.size):
            raise InputError(
                f"found {count[spike][0]:,} pulses of {quality.in_both(quality.volume(float(pulse_l)))} in "
                f"{interval_s:g} s, which no house's meter passes: is the pulse volume right?",
                column=column,
            )
        findings.append(
            quality.finding_of(
                "Intervals with more pulses than a house's meter passes (a bouncing contact) are missing; {} were left "
                "out.",
                quality.volume(float(volume[spike].sum())),
                kind="fault",
                what="impossible flow",
                count=int(spike.sum()),
                first_ns=int(start_ns + cell[spike][0] * interval_ns),
            )
        )
    gaps = ranges_of(cell[spike], np.ones(int(spike.sum()), np.int64))
    findings.append(
        Finding(
            kind="assumption",
            what="time between pulses",
            treatment="Time without a pulse, from the first pulse to the last, is known to have less than one pulse of "
            "flow; it is not missing.",
        )
    )
    findings += gap_findings(gaps, start_ns=start_ns, interval_ns=interval_ns)
    findings += limit_findings(interval_ns)
    return Gridded(
        start_ns=start_ns,
        interval_ns=interval_ns,
        n_cells=n_cells,
        cell=cell[~spike].astype(np.int64),
        volume_l=volume[~spike],
        gaps=gaps,
        gap_volume_l=np.zeros(len(gaps)),
        pulse_l=pulse_l,
        findings=tuple(findings),
    )
