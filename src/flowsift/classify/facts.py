"""What people know of their home beforehand."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from flowsift.arrays import FloatArray
from flowsift.classify.recognition import KnownUses
from flowsift.errors import OptionError
from flowsift.labels import LABELS


@dataclass(frozen=True, kw_only=True)
class HomeFacts:
    """Facts about a home.

    Attributes
    ----------
    without : collection of str
        Labels that the home has no fixture for, such as ``("bathtub", "softener")``.
    earlier : DataFrame, optional
        Events of an earlier answer (`flowsift.Disaggregation.events`): fixtures that it knew keep their names, new ones
        get the next free number. Labels and volumes stay as they are without it.

    Raises
    ------
    OptionError
        If a label is unknown, or none is left.
    InputError
        If `earlier` lacks a column, or holds an unknown label or a volume or flow not above 0 (names row and column).

    Examples
    --------
    >>> import flowsift as fs
    >>> trace = fs.households.read_shipped("flapper").trace
    >>> result = fs.disaggregate(trace, household=fs.HomeFacts(without=("bathtub", "softener")))
    >>> "bathtub" in set(result.events["label"])
    False
    >>> again = fs.disaggregate(trace, household=fs.HomeFacts(earlier=result.events))
    >>> bool((again.events["fixture"] == result.events["fixture"]).mean() > 0.9)
    True
    """

    without: Collection[str] = ()
    earlier: pd.DataFrame | None = field(default=None, repr=False, compare=False)

    def __post_init__(self) -> None:
        """Check the labels and the earlier events."""
        unknown = sorted(set(self.without) - set(LABELS))
        if unknown:
            raise OptionError(f"unknown label {unknown[0]!r}; known labels: {', '.join(LABELS)}")
        if "other" in self.without:
            raise OptionError("'other' can't be ruled out: every home has uses that fit nothing")
        if self.earlier is not None:
            KnownUses.of(self.earlier)

    def applied(self, probability: FloatArray) -> FloatArray:
        """Return the probabilities with what the home hasn't got ruled out, shape (n_uses, n_labels)."""
        absent = np.isin(LABELS, list(self.without))
        left = np.where(absent, 0.0, probability)
        left[:, LABELS.index("other")] += 1e-12
        return np.asarray(left / left.sum(axis=1, keepdims=True))
