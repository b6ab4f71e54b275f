"""What drips and holes let through."""

from __future__ import annotations

import math

from flowsift.errors import OptionError
from flowsift.standards import figure
from flowsift.standards.conversion import MM_PER_IN
from flowsift.units import L_PER_GAL, SECONDS_PER_MINUTE

KPA_PER_PSI = 6.894757
"""Kilopascals in a pound a square inch (to seven digits)."""

USUAL_PRESSURE_KPA = 60.0 * KPA_PER_PSI
"""House pressure that published tables of holes are made for: 60 psi."""


def drip_lpm(drips_per_min: float) -> tuple[float, float, float]:
    """Return what a dripping tap loses: low, usual and high [L/min].

    A drop has 0.2 to 0.333 mL at sink faucets, 0.25 mL in the usual conversion (figures leak.drip_volume_sink_faucets
    and leak.drip_volume_used): published tables differ by a factor of 2.4, so a range is given.

    Raises
    ------
    OptionError
        If the count is negative, or so high that a steady stream runs (figure
        leak.drip_rate_that_becomes_a_steady_stream).
    """
    stream = _steady_stream_per_min()
    if not 0 <= drips_per_min <= stream:
        raise OptionError(f"drips_per_min is {drips_per_min!r}, expected 0 to {stream:g}: above it is a steady stream")
    low, high = figure("leak.drip_volume_sink_faucets").range_l
    usual = figure("leak.drip_volume_used").value_l
    return drips_per_min * low, drips_per_min * usual, drips_per_min * high


def drips_per_min(rate_lpm: float) -> float | None:
    """Return how many drops a minute make a flow; the inverse of the usual value of `drip_lpm`.

    None where that many are a steady stream.
    """
    if rate_lpm < 0:
        raise OptionError("rate_lpm is expected to be at least 0")
    drips = rate_lpm / figure("leak.drip_volume_used").value_l
    return drips if drips <= _steady_stream_per_min() else None


def _steady_stream_per_min() -> float:
    return figure("leak.drip_rate_that_becomes_a_steady_stream").value * SECONDS_PER_MINUTE


def hole_lpm(diameter_mm: float, *, pressure_kpa: float = USUAL_PRESSURE_KPA, discharge: float | None = None) -> float:
    """Return what a round hole lets out into the air [L/min].

    ``Q [gal/min] = 29.84 Cd d^2 sqrt(p)`` with d in inches and p in psi (figure leak.orifice_equation).

    Parameters
    ----------
    diameter_mm : float
        Diameter of the hole [mm], >= 0.
    pressure_kpa : float
        Pressure behind it [kPa], >= 0.
    discharge : float, optional
        Discharge coefficient; that of a sharp edge where it isn't given (figure leak.discharge_coefficient_sharp_edge).
        Of the two families of published tables one fits 0.62 to 0.65, the other 0.73 and more.
    """
    if diameter_mm < 0 or pressure_kpa < 0:
        raise OptionError("diameter_mm and pressure_kpa are expected to be at least 0")
    coefficient = figure("leak.discharge_coefficient_sharp_edge").value if discharge is None else discharge
    gallons = figure("leak.orifice_equation").value * coefficient * (diameter_mm / MM_PER_IN) ** 2
    return gallons * math.sqrt(pressure_kpa / KPA_PER_PSI) * L_PER_GAL


def hole_mm(rate_lpm: float, *, pressure_kpa: float = USUAL_PRESSURE_KPA) -> float:
    """Return the diameter of the round hole that lets out a flow [mm]; the inverse of `hole_lpm`."""
    if rate_lpm < 0 or pressure_kpa <= 0:
        raise OptionError("rate_lpm is expected to be at least 0, pressure_kpa above it")
    return math.sqrt(rate_lpm / hole_lpm(1.0, pressure_kpa=pressure_kpa))
