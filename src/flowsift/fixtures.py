"""The table of fixtures: what each used, and its typical use with an interval."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy.special import bdtr

from flowsift.arrays import FloatArray
from flowsift.tables import Table

COVERAGE = 0.90
"""Coverage of every interval in the table of fixtures."""

FIXTURE_COLUMNS = (
    "fixture",
    "label",
    "uses",
    "volume_l",
    "typical_volume_l",
    "low_l",
    "high_l",
    "typical_lpm",
)
"""Columns of `Disaggregation.fixtures`, in order."""


def fixture_table(events: pd.DataFrame, *, pulse_l: float) -> Table:
    """Summarise events by fixture.

    A use of a fixture that works in cycles (washers, irrigation) is one cycle: its typical volume is a load's.

    Parameters
    ----------
    events : DataFrame
        Columns as `flowsift.disaggregation.EVENT_COLUMNS`.
    pulse_l : float
        Volume of one meter pulse [L]; each use is known to about this much.

    Returns
    -------
    Table
        Columns `FIXTURE_COLUMNS`, largest volume first within the order of names; ``low_l`` and ``high_l`` bound the
        typical (median) volume at 90 %.
    """
    key = [events["fixture"], events["label"]]
    uses = (
        events.assign(_cycle=events["cycle"].fillna(-1 - events.index.to_series()).astype("int64"))
        .groupby([*key, "_cycle"], sort=True)
        .agg(volume_l=("volume_l", "sum"), mean_lpm=("mean_lpm", "mean"))
        .reset_index()
    )
    rows = []
    for (fixture, label), group in uses.groupby(["fixture", "label"], sort=True):
        volumes = np.sort(group["volume_l"].to_numpy())
        low, high = median_interval(volumes, pulse_l=pulse_l)
        rows.append(
            (
                fixture,
                label,
                len(group),
                float(volumes.sum()),
                float(np.median(volumes)),
                low,
                high,
                float(np.median(group["mean_lpm"])),
            )
        )
    table = Table(rows, columns=list(FIXTURE_COLUMNS))
    dtypes = dict.fromkeys(FIXTURE_COLUMNS, "float64") | {"fixture": "str", "label": "str", "uses": "int64"}
    return Table(table.astype(dtypes))


def median_interval(sorted_volumes_l: FloatArray, *, pulse_l: float) -> tuple[float, float]:
    """Bound the median of repeated uses at 90 %.

    Order statistics by the binomial rule (distribution free), widened by the meter's own resolution: a volume read in
    pulses has a triangular error of variance ``pulse_l**2 / 6``, which the mean of n uses divides by n.

    Parameters
    ----------
    sorted_volumes_l : ndarray, shape (n_uses,)
        Volumes in increasing order [L], n_uses >= 1.
    pulse_l : float
        Volume of one pulse [L].

    Returns
    -------
    tuple of float
        Low and high [L]. With fewer than five uses the interval is the range of what was seen, widened alike.
    """
    n = sorted_volumes_l.size
    tail = (1.0 - COVERAGE) / 2.0
    # The binomial quantile from its distribution function: scipy.stats takes longer to import than all the rest.
    below = max(int(np.searchsorted(bdtr(np.arange(n + 1), n, 0.5), tail)) - 1, 0)
    reading = 1.645 * pulse_l / np.sqrt(6.0 * n)
    low = float(sorted_volumes_l[below]) - reading
    high = float(sorted_volumes_l[n - 1 - below]) + reading
    return max(low, 0.0), high
