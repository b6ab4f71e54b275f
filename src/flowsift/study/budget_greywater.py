"""Greywater that codes allow to be used: what a home has of it, and what codes estimate by bedrooms."""

from __future__ import annotations

from dataclasses import dataclass

from flowsift.standards import Figure, figure
from flowsift.study.daily_volumes import DailyVolumes
from flowsift.trace import FloatArray
from flowsift.units import L_PER_GAL

LAVATORY_SHARE = 0.5
"""Part of the faucet water that runs in lavatories rather than the kitchen (assumption; give your own)."""


@dataclass(frozen=True, kw_only=True)
class GreywaterSource:
    """Greywater of one source.

    Attributes
    ----------
    source : str
    mean_l, low_l : float
        Mean a day, and what nine days in ten exceed [L].
    """

    source: str
    mean_l: float
    low_l: float


@dataclass(frozen=True, kw_only=True)
class Published:
    """A published design figure beside the measured one.

    Attributes
    ----------
    name : str
    per_day_l : float
        As a volume a day for this home [L].
    measured_l : float
        What was measured [L a day]; NaN where nothing corresponds.
    source : str
    """

    name: str
    per_day_l: float
    measured_l: float
    source: str


def greywater_by_source(days: DailyVolumes, *, lavatory_share: float) -> dict[str, FloatArray]:
    """Return the greywater of each source that the codes allow, by day [L].

    Showers, tubs, clothes washers and lavatories (figure greywater.permitted_sources); kitchen sinks and dishwashers
    are excluded (figure greywater.excluded_sources).
    """
    return {
        "shower": days.of("shower"),
        "bathtub": days.of("bathtub"),
        "clothes washer": days.of("clothes_washer"),
        "lavatory": days.of("faucet") * lavatory_share,
    }


def code_greywater_l(bedrooms: int) -> dict[str, tuple[float, Figure]]:
    """Return the published estimate of greywater for a home of so many bedrooms [L a day], with its figure.

    Persons by bedrooms (two for the first, one for each further) times the discharge a person (California Plumbing
    Code 1503.8.1).
    """
    persons = figure("greywater.occupants_first_bedroom").value
    persons += (bedrooms - 1) * figure("greywater.occupants_each_further_bedroom").value
    bathing = figure("greywater.discharge_showers_tubs_lavatories.gal_per_person_per_d")
    laundry = figure("greywater.discharge_laundry.gal_per_person_per_d")
    return {
        "showers, tubs, lavatories": (persons * bathing.value * L_PER_GAL, bathing),
        "laundry": (persons * laundry.value * L_PER_GAL, laundry),
    }


def published_beside(parts: dict[str, FloatArray], *, bedrooms: int) -> tuple[Published, ...]:
    """Return the published estimates for a home of so many bedrooms beside what was measured of each source."""
    measured = {
        "showers, tubs, lavatories": float(sum(parts[n].mean() for n in ("shower", "bathtub", "lavatory"))),
        "laundry": float(parts["clothes washer"].mean()),
    }
    lines = []
    for name, (volume, record) in code_greywater_l(bedrooms).items():
        where = ", ".join(part for part in (str(record.source), record.locator) if part)
        lines.append(Published(name=name, per_day_l=volume, measured_l=measured[name], source=where))
    return tuple(lines)
