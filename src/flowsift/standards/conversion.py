"""Units as published figures print them, and their factors to litres, litres per minute and seconds."""

from __future__ import annotations

from flowsift.errors import OptionError
from flowsift.units import L_PER_UNIT, SECONDS_PER_DAY, SECONDS_PER_MINUTE

MM_PER_IN = 25.4
"""Millimetres in an inch (exact)."""

VOLUME_L: dict[str, float] = L_PER_UNIT | {"kL": L_PER_UNIT["m3"], "in3": (MM_PER_IN / 100.0) ** 3}
"""Litres in one unit of volume."""

DAYS_PER_MONTH = 30.0
"""A month in published leak tables (they print 43,200 gal for 30 days of 1 gpm)."""

DAYS_PER_YEAR = 365.0

TIME_S: dict[str, float] = {
    "s": 1.0,
    "min": SECONDS_PER_MINUTE,
    "h": SECONDS_PER_MINUTE * 60.0,
    "d": SECONDS_PER_DAY,
    "week": SECONDS_PER_DAY * 7.0,
    "month": SECONDS_PER_DAY * DAYS_PER_MONTH,
    "3 months": SECONDS_PER_DAY * DAYS_PER_MONTH * 3.0,
    "yr": SECONDS_PER_DAY * DAYS_PER_YEAR,
}
"""Seconds in one unit of time."""

COUNTED = frozenset(
    {
        "bath",
        "cycle",
        "drip",
        "emitter",
        "event",
        "flush",
        "head",
        "household",
        "load",
        "meter",
        "person",
        "property",
        "pulse",
        "shower",
        "turn",
        "use",
    }
)
"""What figures are counted or given per; a volume per one of them is still a volume."""


def volume_factor_l(unit: str) -> float:
    """Return the litres in one `unit` of volume, such as ``gal``, ``gal/flush`` or ``mL/drip``.

    Raises
    ------
    OptionError
        If `unit` is no volume.

    Examples
    --------
    >>> volume_factor_l("gal/flush")
    3.785411784
    """
    head, *per = unit.split("/")
    if head in VOLUME_L and COUNTED.issuperset(per):
        return VOLUME_L[head]
    raise OptionError(f"{unit!r} is not a unit of volume")


def flow_factor_lpm(unit: str) -> float:
    """Return the litres per minute in one `unit` of flow, such as ``gal/min``, ``gal/d`` or ``gal/person/d``.

    Raises
    ------
    OptionError
        If `unit` is no flow.
    """
    head, *per = unit.split("/")
    times = [part for part in per if part in TIME_S]
    rest = [part for part in per if part not in TIME_S]
    if head in VOLUME_L and len(times) == 1 and COUNTED.issuperset(rest):
        return VOLUME_L[head] * SECONDS_PER_MINUTE / TIME_S[times[0]]
    raise OptionError(f"{unit!r} is not a unit of flow")


def time_factor_s(unit: str) -> float:
    """Return the seconds in one `unit` of time, such as ``min`` or ``min/use``.

    Raises
    ------
    OptionError
        If `unit` is no time.
    """
    head, *per = unit.split("/")
    if head in TIME_S and COUNTED.issuperset(per):
        return TIME_S[head]
    raise OptionError(f"{unit!r} is not a unit of time")
