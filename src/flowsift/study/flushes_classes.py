"""The standard class that a toilet's flush volume falls in, called only where the interval allows it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np

from flowsift.errors import OptionError
from flowsift.standards import Figure, figure, flush_classes

ClassSet = Literal["us", "uk"]
"""Sets of classes: by the marks of US toilets and their eras, and by the eras of British ones."""

_UK = (
    ("5 L", "dual flush or after 2001", "toilet.uk_flush_dual_flush_or_after_2001"),
    ("7.5 L", "1980 to 2001", "toilet.uk_flush_1980_to_2001"),
    ("9 L", "1940 to 1980", "toilet.uk_flush_1940_to_1980"),
    ("12 L", "before 1940", "toilet.uk_flush_before_1940"),
)


@dataclass(frozen=True, kw_only=True)
class VolumeClass:
    """A class of full flushes.

    Attributes
    ----------
    name, era : str
    nominal_l, low_l, high_l : float
        Nominal volume, and the volumes that are nearer to it, in ratio, than to the next class [L].
    figure : Figure
        Published figure of the nominal volume.
    """

    name: str
    era: str
    nominal_l: float
    low_l: float
    high_l: float
    figure: Figure


@dataclass(frozen=True, kw_only=True)
class ClassCall:
    """The classes that an interval reaches into.

    Attributes
    ----------
    low_l, high_l : float
        The interval that was asked about [L].
    classes : tuple of VolumeClass
        Smallest first, at least one.
    """

    low_l: float
    high_l: float
    classes: tuple[VolumeClass, ...]

    @property
    def certain(self) -> bool:
        """Whether the interval lies within one class."""
        return len(self.classes) == 1

    def __str__(self) -> str:
        """Return the class's name, or ``1.28 gpf or 1.6 gpf``."""
        return " or ".join(c.name for c in self.classes)


def volume_classes(which: ClassSet = "us") -> tuple[VolumeClass, ...]:
    """Return the classes of full flushes, smallest first; together they cover every volume.

    Raises
    ------
    OptionError
        If `which` is unknown.
    """
    if which == "us":
        records = [(c.name, c.era, c.figure) for c in flush_classes() if not c.name.startswith("dual flush")]
    elif which == "uk":
        records = [(name, era, figure(key)) for name, era, key in _UK]
    else:
        raise OptionError(f"unknown classes {which!r}; known: {', '.join(get_args(ClassSet))}")
    nominal = np.array([record.value_l for _, _, record in records])
    bound = np.concatenate([[0.0], np.sqrt(nominal[1:] * nominal[:-1]), [np.inf]])
    return tuple(
        VolumeClass(name=name, era=era, nominal_l=record.value_l, low_l=low, high_l=high, figure=record)
        for (name, era, record), low, high in zip(records, bound[:-1].tolist(), bound[1:].tolist(), strict=True)
    )


def call_class(low_l: float, high_l: float, *, which: ClassSet = "us") -> ClassCall:
    """Return the classes of full flushes that an interval reaches into.

    Parameters
    ----------
    low_l, high_l : float
        Interval of a full flush, the meter's own error included [L].
    which : {"us", "uk"}
    """
    reached = tuple(c for c in volume_classes(which) if low_l < c.high_l and high_l >= c.low_l)
    return ClassCall(low_l=low_l, high_l=high_l, classes=reached)
