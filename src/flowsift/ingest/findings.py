"""What is said of the times, the gaps and the interval of a trace."""

from __future__ import annotations

import numpy as np

from flowsift import quality
from flowsift.arrays import IntArray
from flowsift.ingest.placing import Placed
from flowsift.quality import Finding
from flowsift.units import NS_PER_S

MISSING_INTERVALS = "missing intervals"
"""Name of the finding that counts the intervals without data."""


def placing_findings(placed: Placed, ns: IntArray, *, interval_ns: int) -> list[Finding]:
    """Say what jitter, drift and changes of interval did."""
    found = []
    if placed.jitter:
        away = np.abs(ns - placed.start_ns - placed.cell * interval_ns)
        off = away > 0.02 * interval_ns
        # a stamp off by less than 2 % of an interval is not worth a line
        if off.any():
            found.append(
                Finding(
                    kind="fault",
                    what="irregular times",
                    count=int(off.sum()),
                    treatment=f"Times that stray from the regular grid were moved to their interval; "
                    f"the clock slipped {placed.n_slips:,} intervals in all. Volumes are unchanged.",
                    first_ns=int(ns[off][0]),
                )
            )
    if placed.n_shifted:
        found.append(
            Finding(
                kind="fault",
                what="rough time stamps",
                count=placed.n_shifted,
                treatment="Rows whose stamp fell into a neighbouring interval were moved to the one left empty.",
                first_ns=int(ns[0]),
            )
        )
    if placed.coarse is not None:
        found.append(
            Finding(
                kind="fault",
                what="longer intervals",
                count=int(placed.coarse.sum()),
                treatment=f"Rows of a stretch with longer intervals were spread evenly over intervals of "
                f"{interval_ns / NS_PER_S:g} s; uses can't be told apart there.",
                first_ns=int(ns[placed.coarse][0]),
            )
        )
    if placed.fine is not None:
        found.append(
            Finding(
                kind="fault",
                what="shorter intervals",
                count=int(placed.fine.sum()),
                treatment=f"Rows of a stretch with shorter intervals were added up to {interval_ns / NS_PER_S:g} s.",
                first_ns=int(ns[placed.fine][0]),
            )
        )
    return found


def clock_findings(ns: IntArray, segment: IntArray | None, interval_ns: int, contested: bool) -> list[Finding]:
    """Say where the clock was set back, or seems to have been set forward by whole hours.

    Parameters
    ----------
    ns, segment : ndarray, shape (n,)
        As in `OrderedRows`.
    interval_ns : int
        Length of an interval [ns]; rows are missing between those more than half as far again apart.
    contested : bool
        Whether two rows claim the same interval.
    """
    found = []
    if segment is not None and contested:
        found.append(
            Finding(
                kind="fault",
                what="clock set back",
                count=int(segment.max()),
                treatment="The times step back and replay. Intervals that carry the same volume in both passes were "
                "kept once; those that differ are missing.",
                first_ns=_first_of_replay(ns, segment),
            )
        )
    step = np.diff(ns)
    wide = np.flatnonzero(step > 1.5 * interval_ns)
    return found + forward_findings(step[wide], ns[wide], interval_ns)


def forward_findings(step: IntArray, before_ns: IntArray, interval_ns: float) -> list[Finding]:
    """Say where exactly an hour has no rows.

    Parameters
    ----------
    step, before_ns : ndarray of int64, shape (n_wide,)
        Spacings wider than an interval, and the times that they begin at [ns].
    interval_ns : float
        Length of an interval [ns].
    """
    hours = (step - interval_ns) / (3600.0 * NS_PER_S)
    forward = np.flatnonzero(np.abs(hours - 1.0) < 1e-9)
    if not forward.size:
        return []
    return [
        Finding(
            kind="fault",
            what="clock set forward",
            count=int(forward.size),
            treatment="Exactly one hour has no rows, as when a clock is set forward; it was left missing.",
            first_ns=int(before_ns[forward[0]]),
        )
    ]


def _first_of_replay(ns: IntArray, segment: IntArray) -> int:
    return int(ns[np.flatnonzero(segment > 0)[0]])


def gap_findings(gaps: IntArray, *, start_ns: int, interval_ns: int, known_l: float = 0.0) -> list[Finding]:
    """Count the missing intervals."""
    if not len(gaps):
        return []
    gap_count = "1 gap" if len(gaps) == 1 else f"{len(gaps):,} gaps"
    known = " {} are known to have passed over them." if known_l > 0 else ""
    return [
        quality.finding_of(
            f"Intervals without data are missing, never taken as zero flow ({gap_count}).{known}",
            quality.volume(known_l),
            kind="fault",
            what=MISSING_INTERVALS,
            count=int((gaps[:, 1] - gaps[:, 0]).sum()),
            first_ns=int(start_ns + gaps[0, 0] * interval_ns),
        )
    ]


SEVERAL_USES_S = 300.0
"""From this interval on one holds several uses, which can't be told apart [s] (common practice)."""


def limit_findings(interval_ns: int) -> list[Finding]:
    """Say what an interval this long can't tell."""
    seconds = interval_ns / NS_PER_S
    if seconds < 60:
        return []
    if seconds < SEVERAL_USES_S:
        text = (
            "Uses shorter than the interval can't be timed or told from their neighbours; flow rates are averages. "
            "Long uses (showers, irrigation), daily volume and a steady trickle can be told; flushes only roughly."
        )
    elif seconds < 3600:
        text = (
            "Single uses can't be told apart: only daily volume, a steady trickle, and uses that are large and long "
            "(irrigation, pool filling)."
        )
    else:
        text = "Only daily volume, the lowest hour (a steady trickle) and days of irrigation can be told."
    return [Finding(kind="limit", what=f"interval of {seconds:g} s", treatment=text)]
