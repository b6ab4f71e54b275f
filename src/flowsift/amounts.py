"""Volumes and flows as people read them, in litres or in gallons."""

from __future__ import annotations

import math
from dataclasses import dataclass

from flowsift.digits import plain, plain_pair
from flowsift.units import L_PER_GAL, UnitSystem

HUGE = 1e15
"""An amount from which only its size counts: no meter counts so far."""


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

    def exact(self, litres: float) -> str:
        """Return a volume with the digits that count and no zeros behind them: ``0.05 L``."""
        number = self.number(litres)
        digits = plain(number) if number < HUGE else f"{number:.3g}"
        return f"{digits.rstrip('0').rstrip('.') if '.' in digits else digits} {self.unit}"

    def tenths(self, litres: float) -> str:
        """Return a volume to the tenth, as the account has them."""
        return self.tenth(self.number(litres))

    def tenth(self, number: float) -> str:
        """Return a number of units to the tenth."""
        return f"{number:,.1f} {self.unit}"

    def flow(self, lpm: float) -> str:
        """Return a flow in words: ``0.117 L/min``."""
        return f"{plain(self.number(lpm))} {self.unit}/min"

    def flow_range(self, low_lpm: float, high_lpm: float) -> str:
        """Return two flows in words: ``0.110 to 0.117 L/min``."""
        return f"{' to '.join(plain_pair(self.number(low_lpm), self.number(high_lpm)))} {self.unit}/min"

    def bounds(self, low_lpm: float, high_lpm: float) -> str:
        """Return the bounds of a flow in words, without the unit."""
        low, high = plain_pair(self.number(low_lpm), self.number(high_lpm))
        return f"between {low} and {high}"


SI, US = Amounts(units="si"), Amounts(units="us")
