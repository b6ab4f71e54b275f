"""The study over many homes: one row a toilet, one row a home, shares of classes with intervals over homes."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from flowsift.arrays import FloatArray
from flowsift.study.flushes_measured import Toilet
from flowsift.study.flushes_study import FlushStudy
from flowsift.study.flushes_volume import COVERAGE
from flowsift.tables import Table

NOT_TOLD = "not told apart"
"""Class of toilets whose interval reaches into more than one."""

N_RESAMPLES = 2000

TOILET_TYPES = {
    "home": "str",
    "toilet": "str",
    "at_least": "int64",
    "full_l": "float64",
    "full_low_l": "float64",
    "full_high_l": "float64",
    "reduced_l": "float64",
    "reduced_low_l": "float64",
    "reduced_high_l": "float64",
    "effective_l": "float64",
    "mean_l": "float64",
    "flushes": "int64",
    "flushes_per_day": "float64",
    "refill_lpm": "float64",
    "refill_s": "float64",
    "share_of_home": "float64",
    "drift_per_month_l": "float64",
    "drift_told": "bool",
    "clean_share": "float64",
    "class": "str",
    "class_certain": "bool",
    "saving_per_year_l": "float64",
    "saving_low_l": "float64",
    "saving_high_l": "float64",
}
"""Columns of the table of toilets and their types."""

HOME_TYPES = {
    "home": "str",
    "days": "float64",
    "metered_l": "float64",
    "toilets": "int64",
    "flushes_per_day": "float64",
    "per_flush_l": "float64",
    "toilet_share": "float64",
    "leak_per_day_l": "float64",
    "left_out": "int64",
    "left_out_l": "float64",
    "saving_per_year_l": "float64",
    "pulse_l": "float64",
    "interval_s": "float64",
    "problem": "str",
}
"""Columns of the table of homes and their types."""


@dataclass(frozen=True, kw_only=True, eq=False)
class HomesStudy:
    """Toilets and homes of a study.

    Attributes
    ----------
    toilets : Table
        One row a toilet, columns `TOILET_TYPES`; ``class`` names the classes that its interval reaches into.
    homes : Table
        One row a home, columns `HOME_TYPES`; ``per_flush_l`` is the mean over its flushes. What its toilets take is NaN
        where none could be resolved: that is no home without flushes. ``leak_per_day_l`` is 0 where none was found,
        ``problem`` says why a home could not be studied.
    """

    toilets: Table
    homes: Table

    def by_class(self, *, random_state: int = 0) -> Table:
        """Return how many toilets are of each class, with 90 % intervals by resampling homes.

        Returns
        -------
        Table
            Columns class, toilets, share, low, high, per_flush_l, flushes_per_day, saving_per_year_l (mean of a
            toilet of the class); classes by falling volume, then the toilets whose class can't be told. Empty without
            toilets.
        """
        toilets = self.toilets.assign(name=self.toilets["class"].where(self.toilets["class_certain"], NOT_TOLD))
        weights = _resamples(len(self.homes), random_state)
        home = pd.Index(self.homes["home"]).get_indexer(toilets["home"])
        total = weights @ np.bincount(home, minlength=len(self.homes)) if len(toilets) else np.zeros(len(weights))
        rows = []
        for name, group in toilets.groupby("name", sort=False):
            mine = np.bincount(home[group.index], minlength=len(self.homes))
            low, high = _interval(np.divide(weights @ mine, total, out=np.full(total.size, np.nan), where=total > 0))
            means = group[["mean_l", "flushes_per_day", "saving_per_year_l"]].mean()
            rows.append((name, len(group), len(group) / len(toilets), low, high, *means))
        rows.sort(key=lambda row: (row[0] == NOT_TOLD, -row[5]))
        columns = ["class", "toilets", "share", "low", "high", "per_flush_l", "flushes_per_day", "saving_per_year_l"]
        return Table(rows, columns=columns)

    def mean(self, column: str, *, random_state: int = 0) -> tuple[float, float, float]:
        """Return the mean of a column over homes and its 90 % interval by resampling homes; NaN where undefined."""
        values = self.homes[column].to_numpy(dtype=np.float64)
        values = values[~np.isnan(values)]
        if values.size == 0:
            return float("nan"), float("nan"), float("nan")
        drawn = _resamples(values.size, random_state) @ values / values.size
        return (float(values.mean()), *_interval(drawn))


def homes_study(studies: Iterable[tuple[str, FlushStudy]], *, problems: Sequence[tuple[str, str]] = ()) -> HomesStudy:
    """Put the studies of homes into tables.

    Parameters
    ----------
    studies : iterable of (str, FlushStudy)
        Name of a home, unique, and its study.
    problems : sequence of (str, str)
        Homes that could not be studied, and why.
    """
    studies = list(studies)
    toilets = [_toilet_row(home, toilet) for home, study in studies for toilet in study.toilets]
    homes = [_home_row(home, study) for home, study in studies]
    homes += [{"home": home, "problem": problem} for home, problem in problems]
    return HomesStudy(toilets=_table(toilets, TOILET_TYPES), homes=_table(homes, HOME_TYPES))


def _table(rows: list[dict[str, object]], types: dict[str, str]) -> Table:
    table = pd.DataFrame(rows, columns=list(types))
    whole = [name for name, kind in types.items() if kind == "int64"]
    return Table(table.fillna(dict.fromkeys(whole, 0)).astype(types))


def _toilet_row(home: str, toilet: Toilet) -> dict[str, object]:
    full, reduced, drift = toilet.full, toilet.reduced, toilet.drift
    row: dict[str, object] = {
        "home": home,
        "toilet": toilet.name,
        "at_least": toilet.at_least,
        "full_l": full.volume_l,
        "full_low_l": full.low_l,
        "full_high_l": full.high_l,
        "effective_l": toilet.effective_l,
        "mean_l": toilet.mean_l,
        "flushes": full.flushes + (reduced.flushes if reduced else 0),
        "flushes_per_day": toilet.flushes_per_day,
        "refill_lpm": toilet.refill_lpm,
        "refill_s": toilet.refill_s,
        "share_of_home": toilet.share_of_home,
        "drift_per_month_l": drift.per_month_l if drift else None,
        "drift_told": bool(drift and drift.told),
        "clean_share": full.clean_share,
        "class": str(toilet.classes),
        "class_certain": toilet.classes.certain,
        "saving_per_year_l": toilet.saving.per_year_l,
        "saving_low_l": toilet.saving.low_l,
        "saving_high_l": toilet.saving.high_l,
    }
    if reduced:
        row |= {
            "reduced_l": reduced.volume_l,
            "reduced_low_l": reduced.low_l,
            "reduced_high_l": reduced.high_l,
        }
    return row


def _home_row(home: str, study: FlushStudy) -> dict[str, object]:
    row: dict[str, object] = {
        "home": home,
        "days": study.days,
        "metered_l": study.metered_l,
        "toilets": len(study.toilets),
        "leak_per_day_l": study.leak.per_day_l if study.leak else 0.0,
        "left_out": sum(left.n_events for left in study.left_out),
        "left_out_l": sum(left.volume_l for left in study.left_out),
        "pulse_l": study.pulse_l,
        "interval_s": study.interval_s,
        "problem": "",
    }
    if study.toilets:
        flushes = np.array([t.flushes_per_day for t in study.toilets])
        row |= {
            "flushes_per_day": float(flushes.sum()),
            "per_flush_l": float(np.average([t.mean_l for t in study.toilets], weights=flushes)),
            "toilet_share": sum(t.share_of_home for t in study.toilets),
            "saving_per_year_l": sum(t.saving.per_year_l for t in study.toilets),
        }
    return row


def _resamples(n_homes: int, random_state: int) -> FloatArray:
    """Return how often each home is drawn in each resample, shape (N_RESAMPLES, n_homes)."""
    if n_homes == 0:
        return np.zeros((N_RESAMPLES, 0))
    rng = np.random.default_rng(random_state)
    return rng.multinomial(n_homes, np.full(n_homes, 1.0 / n_homes), size=N_RESAMPLES).astype(np.float64)


def _interval(drawn: FloatArray) -> tuple[float, float]:
    defined = drawn[~np.isnan(drawn)]
    if defined.size == 0:
        return float("nan"), float("nan")
    low, high = np.percentile(defined, [50.0 * (1.0 - COVERAGE), 50.0 * (1.0 + COVERAGE)])
    return float(low), float(high)
