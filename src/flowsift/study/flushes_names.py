"""Names of the study's toilets: those that their flushes have in the table of events."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from flowsift.arrays import IntArray
from flowsift.classify.naming import free_name
from flowsift.labels import FIXTURE_STEM


def toilet_names(flushes: Sequence[IntArray], events: pd.DataFrame) -> tuple[str, ...]:
    """Name each toilet after the fixture that most of its flushes are on.

    Parameters
    ----------
    flushes : sequence of ndarray of int64
        Rows of `events` that are each toilet's flushes, at least one each.
    events : DataFrame
        Columns fixture and label.

    Returns
    -------
    tuple of str
        Of toilets that share a fixture, the one with most flushes on it has its name, the others free numbers. So have
        toilets of answers that name no fixtures: there a fixture is called as its label.
    """
    fixture, label = events["fixture"], events["label"]
    usual = [fixture.iloc[rows].value_counts() for rows in flushes]
    called = {str(name) for counts in usual for name in counts.index} - set(label)
    names: dict[int, str] = {}
    for k in sorted(range(len(flushes)), key=lambda k: -int(usual[k].iloc[0])):
        own = str(usual[k].index[0])
        free = own in called and own not in names.values()
        names[k] = own if free else free_name(f"{FIXTURE_STEM['flush']}-1", called.union(names.values()))
    return tuple(names[k] for k in range(len(flushes)))
