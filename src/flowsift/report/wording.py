"""Amounts, lengths of time and cautions as people read them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from flowsift.digits import plain, plain_pair
from flowsift.report.sections import Section, bullets
from flowsift.study.cautions import cautions
from flowsift.units import L_PER_GAL, SECONDS_PER_DAY, SECONDS_PER_MINUTE, UnitSystem

TOO_SHORT = "in a record this short a constant flow can't be told from a use"
"""What is said of a trickle where none could have shown."""


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

    def tenths(self, litres: float) -> str:
        """Return a volume to the tenth, as the account has them."""
        return self.tenth(self.number(litres))

    def tenth(self, number: float) -> str:
        """Return a number of units to the tenth."""
        return f"{number:,.1f} {self.unit}"

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


def zone_words(timezone: str) -> str:
    """Return a time zone as people write it: a fixed offset's name in the tz database has the other sign."""
    offset = timezone.removeprefix("Etc/GMT")
    return f"UTC{-int(offset):+03d}:00" if offset != timezone and offset else timezone


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
    if seconds >= 2 * SECONDS_PER_MINUTE:
        return f"{seconds / SECONDS_PER_MINUTE:,.0f} min"
    return f"{seconds:,.0f} s"


def cautions_section(*subjects: str) -> Section:
    """Return the section of cautions that ends an answer which sends someone somewhere."""
    return Section(heading="Before you go", lines=bullets(caution.text for caution in cautions(subjects)))
