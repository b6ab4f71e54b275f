"""Loads of washers, irrigation cycles and softener regenerations: what belongs together, and what it took in all."""

from __future__ import annotations

import pandas as pd

from flowsift.disaggregation import Disaggregation
from flowsift.tables import Table

LOAD_COLUMNS = ("label", "fixture", "cycle", "start", "end", "events", "volume_l", "probability")
"""Columns of `loads`, in order."""


def loads(result: Disaggregation) -> Table:
    """Return one row a load, irrigation cycle or regeneration.

    Parameters
    ----------
    result : Disaggregation

    Returns
    -------
    Table
        Sorted by start: ``label``, ``fixture`` (the one that took most of it), ``cycle`` (its number in the events),
        ``start``, ``end``, ``events`` (fills, zones or stages), ``volume_l`` in all, ``probability`` (mean of its
        events' by volume). Empty where nothing works in cycles.

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> washed = fs.study.loads(result).query("label == 'clothes_washer'")
    >>> bool((washed["volume_l"] > 0).all())
    True
    """
    events = result.events[result.events["cycle"].notna()]
    sure_l = events["probability"] * events["volume_l"]
    by_fixture = events.groupby(["label", "cycle", "fixture"])["volume_l"].sum().sort_values(kind="stable")
    most = by_fixture.reset_index().drop_duplicates(["label", "cycle"], keep="last")
    table = (
        events.assign(sure_l=sure_l)
        .groupby(["label", "cycle"], as_index=False)
        .agg(
            start=("start", "min"),
            end=("end", "max"),
            events=("volume_l", "size"),
            volume_l=("volume_l", "sum"),
            sure_l=("sure_l", "sum"),
        )
        .merge(most[["label", "cycle", "fixture"]], on=["label", "cycle"])
    )
    table["probability"] = table["sure_l"] / table["volume_l"]
    table = pd.DataFrame(table[list(LOAD_COLUMNS)]).sort_values(["start", "label"], kind="stable")
    return Table(table.reset_index(drop=True))
