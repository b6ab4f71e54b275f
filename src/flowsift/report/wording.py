"""Sums of money, times, lengths of time and cautions as people read them."""

from __future__ import annotations

import math

import pandas as pd

from flowsift.report.sections import Section, bullets
from flowsift.study.cautions import cautions
from flowsift.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE

TOO_SHORT = "in a record this short a constant flow can't be told from a use"
"""What is said of a trickle where none could have shown."""


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
