"""Counts that add up over homes, and the few ways in which figures are made from them.

A home's scores are kept as additive counts, never as finished figures: a figure over many homes is the figure of the
summed counts. Resampling homes is then one matrix product, and the same function gives the figure and its interval.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TypeAlias

import numpy as np

from flowsift.trace import BoolArray, FloatArray

Counts: TypeAlias = dict[str, float]
"""Additive counts of one home by name: ``"events.found[flush]"``."""

Figures: TypeAlias = dict[str, FloatArray]
"""Figures by name, one value a row of `Totals`; NaN where a figure isn't defined."""


class Totals:
    """Rows of counts by name; a count that no home has is zero.

    Parameters
    ----------
    names : sequence of str, length n_counts
    values : ndarray, shape (n_rows, n_counts)
    """

    def __init__(self, names: Sequence[str], values: FloatArray) -> None:
        self.names = tuple(names)
        self.values = values
        self._column = {name: i for i, name in enumerate(self.names)}

    @classmethod
    def of_homes(cls, homes: Iterable[Mapping[str, float]]) -> Totals:
        """Stack the counts of homes, one row a home."""
        homes = list(homes)
        names = sorted({name for home in homes for name in home})
        values = np.array([[home.get(name, 0.0) for name in names] for home in homes], dtype=np.float64)
        return cls(names, values.reshape(len(homes), len(names)))

    def weighted(self, weights: FloatArray) -> Totals:
        """Sum rows with weights, shape (n_new_rows, n_rows): resampled homes, or all of them."""
        return Totals(self.names, weights @ self.values)

    def __len__(self) -> int:
        """Return the number of rows."""
        return int(self.values.shape[0])

    def __getitem__(self, name: str) -> FloatArray:
        """Return one count, shape (n_rows,)."""
        column = self._column.get(name)
        return np.zeros(len(self)) if column is None else np.asarray(self.values[:, column], np.float64)

    def over(self, stem: str, names: Iterable[str]) -> FloatArray:
        """Return ``stem[name]`` for each name, shape (n_rows, n_names)."""
        return np.asarray(np.stack([self[f"{stem}[{name}]"] for name in names], axis=1), np.float64)


def ratio(part: FloatArray, whole: FloatArray) -> FloatArray:
    """Return ``part / whole``, NaN where the whole is zero: a share of nothing isn't defined."""
    share: FloatArray = np.divide(part, whole, out=np.full(np.shape(part), np.nan), where=np.asarray(whole) > 0)
    return share


def f1(found: FloatArray, answered: FloatArray, true: FloatArray) -> FloatArray:
    """Return the harmonic mean of precision and recall, ``2 TP / (2 TP + FP + FN)``.

    NaN where there is neither truth nor answer, 0 where there is only one of them.
    """
    return ratio(2.0 * found, answered + true)


def mean_defined(values: FloatArray, *, where: BoolArray) -> FloatArray:
    """Return the mean over columns of those that are asked for and defined; NaN where there is none."""
    use = where & ~np.isnan(values)
    return ratio(np.where(use, values, 0.0).sum(axis=1), use.sum(axis=1).astype(np.float64))


def by_name(stem: str, names: Iterable[str], values: Iterable[float]) -> Counts:
    """Return counts ``stem[name]``, without those that are zero."""
    return {f"{stem}[{name}]": float(value) for name, value in zip(names, values, strict=True) if value}
