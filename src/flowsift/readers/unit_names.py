"""How people write units of volume and flow."""

from __future__ import annotations

import re
from dataclasses import dataclass

from flowsift.errors import OptionError
from flowsift.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE, litres_per

VOLUME_WORDS = {
    "L": ("l", "litre", "litres", "liter", "liters", "ltr", "ltrs", "lit"),
    "mL": ("ml", "millilitre", "millilitres", "milliliter", "milliliters"),
    "m3": ("m3", "cbm", "kl", "kilolitre", "kilolitres", "kiloliter", "kiloliters", "cubicmeters", "cubicmetres"),
    "gal": ("gal", "gals", "gallon", "gallons", "usgal", "usg"),
    "ft3": ("ft3", "cf", "cuft", "cubicfeet", "cubicfoot"),
    "CCF": ("ccf", "hcf"),
}
"""Words for each unit of volume, after lower-casing; gallons are US gallons."""

MINUTES = {
    "s": 1.0 / SECONDS_PER_MINUTE,
    "sec": 1.0 / SECONDS_PER_MINUTE,
    "second": 1.0 / SECONDS_PER_MINUTE,
    "min": 1.0,
    "minute": 1.0,
    "h": 60.0,
    "hr": 60.0,
    "hour": 60.0,
    "d": SECONDS_PER_DAY / SECONDS_PER_MINUTE,
    "day": SECONDS_PER_DAY / SECONDS_PER_MINUTE,
}
"""Minutes in the time part of a rate."""

SHORT_RATES = {
    "lpm": "l/min",
    "lps": "l/s",
    "lph": "l/h",
    "mlps": "ml/s",
    "mlpm": "ml/min",
    "m3h": "m3/h",
    "cmh": "m3/h",
    "gpm": "gal/min",
    "gph": "gal/h",
    "gpd": "gal/d",
    "cfm": "ft3/min",
    "cfs": "ft3/s",
    "cfh": "ft3/h",
}
"""Rates that have a word of their own."""

KNOWN_UNITS = (
    "L",
    "mL",
    "m3",
    "gal",
    "ft3",
    "CCF",
    "L/min",
    "L/s",
    "L/h",
    "mL/s",
    "m3/h",
    "gal/min (gpm)",
    "gal/h",
    "ft3/min (cfm)",
)
"""Units as messages list them; any volume per s, min, h or d is read."""

PULSES = "pulses"
"""What stands in the place of a unit where values are counts of the meter's pulses."""

_WORD_UNIT = {word: unit for unit, words in VOLUME_WORDS.items() for word in words}


@dataclass(frozen=True, kw_only=True)
class Unit:
    """A unit of volume, or of volume per time.

    Attributes
    ----------
    volume : str
        Key of `flowsift.units.L_PER_UNIT`.
    minutes : float or None
        Minutes in the time part of a rate; None for a volume.
    """

    volume: str
    minutes: float | None

    @property
    def factor(self) -> float:
        """Litres, or litres per minute, in one unit."""
        return litres_per(self.volume) / (1.0 if self.minutes is None else self.minutes)


def unit_option(text: str) -> Unit:
    """Return the unit that an option names (OptionError lists the known ones)."""
    unit = _parsed(_normal(text).strip("_()[] "))
    if unit is None:
        raise OptionError(f"unknown unit {text!r}; known units: {', '.join(KNOWN_UNITS)}")
    return unit


def unit_in_name(name: str) -> Unit | None:
    """Return the unit that a column's name carries, as ``volume_gal``, ``Flow (L/min)``, ``gpm``; None without one."""
    found = {unit for token in name_words(name) if (unit := _parsed(token)) is not None}
    rates = {unit for unit in found if unit.minutes is not None}
    if rates:
        found = rates
    return found.pop() if len(found) == 1 else None


def name_words(name: str) -> list[str]:
    """Split a column's name into lower-case words; a rate such as ``l/min`` stays one."""
    # "volumeGal" is two words, "mL" is one
    spaced = re.sub(r"(?<=[a-z]{2})(?=[A-Z])", "_", name)
    return [word for word in re.split(r"[^a-z0-9/]+", _normal(spaced)) if word]


def _normal(text: str) -> str:
    text = text.strip().lower().replace("³", "3").replace("^3", "3").replace("**3", "3")
    text = re.sub(r"\b(?:u\.?s\.?)[ _]*(?=gal)", "", text)
    text = re.sub(r"cubic[ _]*(feet|foot|meters?|metres?)", r"cubic\1", text)
    text = re.sub(r"cubicmeter\b|cubicmetre\b", "cubicmeters", text)
    text = re.sub(r"cu\.?[ _]*ft", "cuft", text)
    return re.sub(r"[ _]*(?:/|(?<=[ _])per(?=[ _]))[ _]*", "/", text)


def _parsed(word: str) -> Unit | None:
    word = SHORT_RATES.get(word, word)
    volume, slash, time = word.partition("/")
    unit = _WORD_UNIT.get(volume)
    if unit is None:
        return None
    if not slash:
        return Unit(volume=unit, minutes=None)
    minutes = MINUTES.get(time, MINUTES.get(time.rstrip("s") or "s"))
    return None if minutes is None else Unit(volume=unit, minutes=minutes)
