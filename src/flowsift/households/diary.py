"""The short table of known uses that a householder would write."""

from __future__ import annotations

import numpy as np
import pandas as pd

from flowsift.households.household import Household
from flowsift.households.streams import stream


def walk_labels(
    household: Household, *, seed: int = 0, per_fixture: int = 2, clock_error_s: float = 20.0
) -> pd.DataFrame:
    """Return what someone wrote down who watched some uses of each fixture.

    Parameters
    ----------
    household : Household
    seed : int
        Picks the uses.
    per_fixture : int
        Uses written down of each fixture at most; only uses that ran alone and that the meter saw.
    clock_error_s : float
        Standard deviation of the watch [s]; times are written to the minute.

    Returns
    -------
    DataFrame
        ``time`` (local, tz-aware, to the minute, some moment of the use), ``label``, ``fixture``; sorted by time.

    Examples
    --------
    >>> from flowsift.households import read_shipped, walk_labels
    >>> walk_labels(read_shipped("demo"), per_fixture=1).columns.tolist()
    ['time', 'label', 'fixture']
    """
    rng = stream(seed, "diary")
    events = household.truth.events
    alone = events[~events["overlaps"] & (events["metered_l"] > 0) & (events["label"] != "toilet_leak")]
    rows: list[tuple[pd.Timestamp, str, str]] = []
    for name, uses in alone.groupby("fixture", sort=True):
        picked = uses.iloc[np.sort(rng.permutation(len(uses))[:per_fixture])]
        length_s = (picked["end"] - picked["start"]).dt.total_seconds().to_numpy()
        late_s = length_s * rng.uniform(0.1, 0.6, len(picked)) + rng.normal(0.0, clock_error_s, len(picked))
        seen = picked["start"] + pd.to_timedelta(np.round(late_s), unit="s")
        local = pd.DatetimeIndex(seen).tz_convert(household.trace.timezone).floor("min", ambiguous=True)
        rows += list(zip(local, picked["label"], [str(name)] * len(picked), strict=True))
    rows.sort()
    table = pd.DataFrame(rows, columns=["time", "label", "fixture"])
    return table.astype({"label": "str", "fixture": "str"})
