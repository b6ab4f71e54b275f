"""The time zone that times carry: days and hours of the answer are told in it."""

from __future__ import annotations

from typing import Any

from flowsift.errors import OptionError
from flowsift.ingest.options import checked_zone
from flowsift.quality import Finding

LEAST_OFFSET_H, MOST_OFFSET_H = -12, 14
"""Whole hours from UTC for which the tz database has a zone without changes of the clock."""


def carried_zone(written: str) -> tuple[str, tuple[Finding, ...]]:
    """Return the zone in which people read an answer, by what the times carry, and what was assumed.

    Parameters
    ----------
    written : str
        A zone's name, ``Z``, an offset such as ``-07:00`` or ``+0530``, or nothing.

    Returns
    -------
    timezone : str
        Name in the tz database: UTC where nothing is carried, or an offset of no whole hours.
    findings : tuple of Finding
        None where the times are in UTC.
    """
    if written[:1] not in ("+", "-"):
        return _named(written)
    sign, digits = -1 if written[0] == "-" else 1, written[1:].replace(":", "").ljust(4, "0")
    hours, minutes = sign * int(digits[:2]), int(digits[2:])
    if not hours and not minutes:
        return "UTC", ()
    carried = f"Times carry the offset {written}; days and hours are told"
    if minutes or not LEAST_OFFSET_H <= hours <= MOST_OFFSET_H:
        return "UTC", (_assumed(f"{carried} in UTC: pass --timezone (timezone=...) for the meter's own zone."),)
    # In these names the sign is that of UTC seen from there.
    name = f"Etc/GMT{-hours:+d}"
    return name, (_assumed(f"{carried} at it: pass --timezone (timezone=...) for a zone whose clock changes."),)


def zone_of_datetimes(times: Any) -> str:
    """Return the name of the zone that an index or a series of datetimes carries; UTC for other times."""
    zone = getattr(getattr(times, "dt", times), "tz", None)
    # A fixed offset of the standard library is called UTC-07:00.
    return carried_zone("" if zone is None else str(zone).removeprefix("UTC") or "UTC")[0]


def _named(written: str) -> tuple[str, tuple[Finding, ...]]:
    try:
        name = checked_zone(written)
    except OptionError:
        return "UTC", ()
    if name in ("UTC", "GMT", "Etc/UTC"):
        return "UTC", ()
    return name, (_assumed(f"Times carry the zone {name}; days and hours are told in it."),)


def _assumed(text: str) -> Finding:
    return Finding(kind="assumption", what="time zone", treatment=text)
