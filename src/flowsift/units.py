"""Unit factors, and the two views of a table: SI (litres) and US customary (gallons).

The only module that knows a unit factor. Canonical inside: litres, litres per minute, seconds.
"""

from __future__ import annotations

from typing import Literal

from flowsift.errors import OptionError

L_PER_GAL = 3.785411784
"""Litres in a US gallon (231 cubic inches of 2.54 cm each, exact)."""

L_PER_FT3 = 28.316846592
"""Litres in a cubic foot (exact)."""

SECONDS_PER_MINUTE = 60.0
SECONDS_PER_DAY = 86_400.0
NS_PER_S = 1_000_000_000

UnitSystem = Literal["si", "us"]

L_PER_UNIT: dict[str, float] = {
    "L": 1.0,
    "mL": 1e-3,
    "m3": 1e3,
    "gal": L_PER_GAL,
    "ft3": L_PER_FT3,
    "CCF": 100.0 * L_PER_FT3,
}
"""Litres in one unit of volume, by the unit's canonical name."""

US_UNITS = frozenset({"gal", "ft3", "CCF"})
"""Units of input that are answered in US customary units unless told otherwise."""

_US_SUFFIX = {"_l": ("_gal", L_PER_GAL), "_lpm": ("_gpm", L_PER_GAL)}


def litres_per(unit: str) -> float:
    """Return the litres in one `unit` of volume.

    Raises
    ------
    OptionError
        If `unit` is not one of `L_PER_UNIT` (the message lists them).
    """
    try:
        return L_PER_UNIT[unit]
    except KeyError:
        raise OptionError(f"unknown unit {unit!r}; known units: {', '.join(L_PER_UNIT)}") from None


def system_of(unit: str) -> UnitSystem:
    """Return the unit system in which input in `unit` is answered."""
    return "us" if unit in US_UNITS else "si"


def us_column(name: str) -> tuple[str, float]:
    """Return the US customary name of an SI column, and the litres in one of its unit.

    Columns that carry no volume or flow come back unchanged with a factor of 1.

    Examples
    --------
    >>> us_column("volume_l")
    ('volume_gal', 3.785411784)
    >>> us_column("duration_s")
    ('duration_s', 1.0)
    """
    for suffix, (replacement, factor) in _US_SUFFIX.items():
        if name.endswith(suffix):
            return name[: -len(suffix)] + replacement, factor
    return name, 1.0
