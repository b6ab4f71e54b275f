"""What a landscape needs: reference evapotranspiration, plants, efficiency, and the allowances of published codes."""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from flowsift.errors import InputError, OptionError
from flowsift.standards.conversion import MM_PER_IN
from flowsift.trace import FloatArray

M2_PER_FT2 = 0.09290304
"""Square metres in a square foot (exact)."""

GAL_PER_FT2_IN = 0.62
"""Gallons on a square foot for an inch of water as the model ordinance rounds it (exactly 144/231 = 0.6234)."""

DAYS_OF_MONTH = (31.0, 28.25, 31.0, 30.0, 31.0, 30.0, 31.0, 31.0, 30.0, 31.0, 30.0, 31.0)
"""Mean days of the months."""

_ETO = re.compile(r"\s*([0-9.]+)\s*(mm|in)\s*/\s*(d|day|month|mo|yr|year)\s*", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class Landscape:
    """A landscape to be watered.

    Attributes
    ----------
    area_m2 : float
        Area that is irrigated [m2].
    plant_factor : float
        Water need of the plants as a share of reference evapotranspiration (figures ``landscape.plant_factor_*``).
    efficiency : float
        Part of the water that reaches the roots (figures ``landscape.irrigation_efficiency_*``).
    eto_mm_per_d : tuple of float
        Reference evapotranspiration in each month, less rain that counts [mm a day], twelve numbers.

    Raises
    ------
    OptionError
        If a number is out of its range.

    Examples
    --------
    >>> from flowsift.study import Landscape
    >>> garden = Landscape(area_m2=60.0, plant_factor=0.5, efficiency=0.8, eto_mm_per_d=(5.0,) * 12)
    >>> round(garden.per_year_l)
    68484
    """

    area_m2: float
    plant_factor: float
    efficiency: float
    eto_mm_per_d: tuple[float, ...]

    def __post_init__(self) -> None:
        """Check the numbers (OptionError)."""
        for name, value, most in (
            ("area", self.area_m2, math.inf),
            ("plant factor", self.plant_factor, 1.5),
            ("efficiency", self.efficiency, 1.0),
        ):
            if not (math.isfinite(value) and 0 < value <= most):
                raise OptionError(f"the {name} is {value!r}, expected a number above 0 and at most {most:g}")
        if len(self.eto_mm_per_d) != 12 or not all(0 <= e < 30 for e in self.eto_mm_per_d):
            raise OptionError("expected twelve monthly values of evapotranspiration, each from 0 to 30 mm a day")

    def need_l(self, dates: pd.DatetimeIndex) -> FloatArray:
        """Return the need on each of some days [L]: ETo times plant factor times area over efficiency.

        A millimetre on a square metre is a litre. It is the term ``PF x HA / IE`` of the ordinance's estimate (figure
        landscape.estimated_use_equation), with the exact factor.
        """
        eto = np.array(self.eto_mm_per_d)[np.asarray(dates.month) - 1]
        return np.asarray(eto * self.plant_factor * self.area_m2 / self.efficiency)

    @property
    def per_year_l(self) -> float:
        """Need of a year [L]."""
        return float(np.dot(DAYS_OF_MONTH, self.eto_mm_per_d)) * self.plant_factor * self.area_m2 / self.efficiency

    @property
    def eto_in_per_year(self) -> float:
        """Reference evapotranspiration of a year [in]."""
        return float(np.dot(DAYS_OF_MONTH, self.eto_mm_per_d)) / MM_PER_IN


def applied_water_allowance_gal(
    *, eto_in: float, area_ft2: float, adjustment: float, special_ft2: float = 0.0
) -> float:
    """Return the maximum applied water allowance of the model ordinance [gal a year].

    ``ETo x 0.62 x (ETAF x LA + (1 - ETAF) x SLA)`` (figure landscape.mawa_equation).

    Parameters
    ----------
    eto_in : float
        Reference evapotranspiration of the year [in].
    area_ft2 : float
        Landscape area, special area included [ft2].
    adjustment : float
        Adjustment factor: 0.55 for homes in the 2015 text, 0.7 in that of 2009 (figures ``landscape.etaf_*``).
    special_ft2 : float
        Special landscape area (edible plants, recycled water) [ft2].
    """
    return eto_in * GAL_PER_FT2_IN * (adjustment * area_ft2 + (1.0 - adjustment) * special_ft2)


def parsed_eto(text: str) -> tuple[float, ...]:
    """Return twelve daily values [mm] of an evapotranspiration written as a number with its unit.

    Parameters
    ----------
    text : str
        ``5.2mm/day``, ``6.5in/month`` or ``51.1in/yr``; the same every month.

    Raises
    ------
    OptionError
        If it is no number with such a unit.
    """
    found = _ETO.fullmatch(text)
    if found is None:
        raise OptionError(f"evapotranspiration {text!r}: expected such as 5.2mm/day, 6.5in/month or 51.1in/yr")
    try:
        value = float(found[1]) * (MM_PER_IN if found[2].lower() == "in" else 1.0)
    except ValueError:
        raise OptionError(f"evapotranspiration {text!r}: {found[1]!r} is no number") from None
    days = {"d": 1.0, "m": sum(DAYS_OF_MONTH) / 12.0, "y": sum(DAYS_OF_MONTH)}[found[3][0].lower()]
    return (value / days,) * 12


def read_eto(path: str | Path) -> tuple[float, ...]:
    """Return twelve daily values [mm] from a CSV table of the months.

    Parameters
    ----------
    path : str or Path
        Columns ``month`` (1 to 12) and ``eto_mm`` or ``eto_in``: the depth of each whole month.

    Raises
    ------
    InputError
        A column or a month is missing or double, or a value is no depth; it names file, row and column.

    Examples
    --------
    >>> from flowsift.study import read_eto
    >>> len(read_eto("docs/forms/eto.csv"))
    12
    """
    path = Path(path)
    try:
        reader = csv.DictReader(io.StringIO(path.read_text(encoding="utf-8-sig")))
        rows = [(reader.line_num, row) for row in reader]
    except UnicodeDecodeError as error:
        raise InputError("found bytes that are no UTF-8 text, expected a CSV file", file=str(path)) from error
    columns = set(rows[0][1]) if rows else set()
    column = next((name for name in ("eto_mm", "eto_in") if name in columns), None)
    if column is None or "month" not in columns:
        raise InputError("expected columns month and eto_mm (or eto_in), one row a month", file=str(path), row=1)
    depth: dict[int, float] = {}
    for number, row in rows:
        try:
            month, value = int(row["month"]), float(row[column])
        except (TypeError, ValueError) as error:
            problem = f"found {row['month']!r} and {row[column]!r}, expected a month and a depth"
            raise InputError(problem, file=str(path), row=number, column=column) from error
        if not 1 <= month <= 12 or month in depth or not 0 <= value < 1000:
            problem = f"found month {month} and depth {value:g}, expected each month from 1 to 12 once, a depth >= 0"
            raise InputError(problem, file=str(path), row=number, column=column)
        depth[month] = value * (MM_PER_IN if column == "eto_in" else 1.0)
    if len(depth) != 12:
        raise InputError(f"found {len(depth)} months, expected all twelve", file=str(path), column="month")
    return tuple(depth[month] / DAYS_OF_MONTH[month - 1] for month in range(1, 13))
