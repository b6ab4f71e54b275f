"""Amounts and sentences as the study commands print them: plain text that fits 80 columns."""

from __future__ import annotations

import math
import re
import textwrap
from collections.abc import Iterable
from dataclasses import dataclass

import pandas as pd

from flowsift.errors import OptionError
from flowsift.report.account_text import WIDTH, Section
from flowsift.report.digits import plain, plain_pair
from flowsift.standards.conversion import TIME_S
from flowsift.study.cautions import cautions
from flowsift.units import L_PER_GAL, L_PER_UNIT, SECONDS_PER_DAY, SECONDS_PER_MINUTE, UnitSystem

_FLOW = re.compile(r"\s*([0-9.]+(?:[eE][+-]?[0-9]+)?)\s*([A-Za-z][A-Za-z0-9]*)\s*(?:/\s*([a-z]+))?\s*")
_FLOW_WORDS = {"gpm": ("gal", "min"), "lpm": ("L", "min"), "gph": ("gal", "h"), "gpd": ("gal", "d"), "lph": ("L", "h")}


@dataclass(frozen=True, kw_only=True)
class Amounts:
    """Writes volumes and flows in one unit system."""

    units: UnitSystem

    @property
    def unit(self) -> str:
        """Unit of volume."""
        return "gal" if self.units == "us" else "L"

    def number(self, litres: float) -> float:
        """Return a volume or flow in the unit."""
        return litres / L_PER_GAL if self.units == "us" else litres

    def volume(self, litres: float) -> str:
        """Return a volume in words: ``1,204 L``."""
        if not math.isfinite(litres):
            return "-"
        value = self.number(litres)
        return f"{value:,.0f} {self.unit}" if abs(value) >= 100 else f"{value:,.1f} {self.unit}"

    def flow(self, lpm: float) -> str:
        """Return a flow in words: ``0.117 L/min``."""
        return f"{plain(self.number(lpm))} {self.unit}/min"

    def bounds(self, low_lpm: float, high_lpm: float) -> str:
        """Return the bounds of a flow in words, without the unit."""
        low, high = plain_pair(self.number(low_lpm), self.number(high_lpm))
        return f"between {low} and {high}"


def money(amount: float, currency: str) -> str:
    """Return an amount of money in words."""
    return f"{amount:,.2f} {currency}"


def moment(time: pd.Timestamp) -> str:
    """Return a time to the minute."""
    return f"{time:%Y-%m-%d %H:%M}"


def lasting(seconds: float) -> str:
    """Return a length of time in words."""
    if not math.isfinite(seconds):
        return "never"
    if seconds >= 2 * SECONDS_PER_DAY:
        return f"{seconds / SECONDS_PER_DAY:,.1f} days"
    if seconds >= 2 * 60 * SECONDS_PER_MINUTE:
        return f"{seconds / (60 * SECONDS_PER_MINUTE):,.1f} hours"
    return f"{seconds / SECONDS_PER_MINUTE:,.0f} min"


def wrapped(text: str, *, indent: int = 2, hang: int = 4) -> tuple[str, ...]:
    """Return a text in lines of at most `WIDTH` columns."""
    first, rest = " " * indent, " " * hang
    return tuple(textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest))


def bullets(texts: Iterable[str]) -> tuple[str, ...]:
    """Return texts as a list."""
    return tuple(line for text in texts for line in wrapped(f"- {text}"))


def cautions_section(*subjects: str) -> Section:
    """Return the section of cautions that ends an answer which sends someone somewhere."""
    return Section(heading="Before you go", lines=bullets(caution.text for caution in cautions(subjects)))


def parsed_flow_lpm(text: str, *, name: str) -> float:
    """Return a flow written with its unit, such as ``0.05gpm``, ``0.2 L/min`` or ``30 gal/d`` [L/min].

    Raises
    ------
    OptionError
        If it isn't a number above 0 followed by a unit of flow.
    """
    written = _FLOW.fullmatch(text)
    volumes = {unit.lower(): litres for unit, litres in L_PER_UNIT.items()}
    try:
        if written is None:
            raise ValueError
        volume, time = written[2].lower(), written[3]
        if time is None:
            volume, time = _FLOW_WORDS[volume]
        value = float(written[1]) * volumes[volume.lower()] * SECONDS_PER_MINUTE / TIME_S[time]
        if value <= 0:
            raise ValueError
    except (KeyError, ValueError):
        raise OptionError(f"{name} {text!r}: expected a flow with its unit, such as 0.05gpm or 0.2L/min") from None
    return value
