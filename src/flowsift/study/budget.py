"""A water budget to design by: demand, greywater, what a landscape needs, and the storage between them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from flowsift.disaggregation import Disaggregation
from flowsift.errors import NotEnoughDataError, OptionError
from flowsift.standards import figure
from flowsift.study.budget_greywater import (
    LAVATORY_SHARE,
    GreywaterSource,
    Published,
    greywater_by_source,
    published_beside,
)
from flowsift.study.budget_landscape import M2_PER_FT2, Landscape, applied_water_allowance_gal
from flowsift.study.budget_storage import steady_need_l, storage_for_reliability_l, storage_for_yield_l
from flowsift.study.daily_volumes import LOSSES, OUTDOORS, daily_volumes
from flowsift.study.leaks_lines import is_left_running
from flowsift.tables import Table
from flowsift.trace import FloatArray
from flowsift.units import L_PER_GAL

RELIABILITIES = (0.5, 0.75, 0.9, 0.95)
"""Shares of days for which storage is worked out."""

YIELDS = (1.0, 1.1, 1.25, 1.5, 2.0)
"""Daily yields of a steady source that are tried, as multiples of the mean demand."""

LEAST_DAYS = 7
"""Complete days needed: a week."""


@dataclass(frozen=True, kw_only=True)
class Demand:
    """Demand a day over the complete days of a record.

    Attributes
    ----------
    name : str
    mean_l, median_l, high_l, peak_l : float
        Mean, median, 95 % quantile and largest day [L].
    """

    name: str
    mean_l: float
    median_l: float
    high_l: float
    peak_l: float


@dataclass(frozen=True, kw_only=True)
class StorageLine:
    """Storage for one reliability.

    Attributes
    ----------
    reliability : float
        Share of days on which the whole need is met.
    storage_l : float
        Storage that it takes [L]; NaN where no storage is enough.
    steady_need_l : float
        Largest steady need a day that the same reliability allows without any storage [L].
    """

    reliability: float
    storage_l: float
    steady_need_l: float


@dataclass(frozen=True, kw_only=True)
class YieldLine:
    """Storage beside a steady source.

    Attributes
    ----------
    yield_l : float
        What the source gives a day [L].
    reliability : float
    storage_l : float
        Storage that carries the record's demand [L]; NaN where the source gives too little.
    """

    yield_l: float
    reliability: float
    storage_l: float


@dataclass(frozen=True, kw_only=True)
class Budget:
    """A water budget.

    Attributes
    ----------
    days : int
        Complete days that it rests on.
    first, last : Timestamp
        First and last of them.
    demand : tuple of Demand
        All of it, without losses (trickle, toilet leaks, what was left running), without outdoor use, without both.
    greywater : tuple of GreywaterSource
        By source, and together as the last.
    need_l : Demand or None
        What the landscape needs on the same days; None without a landscape.
    need_per_year_l, allowance_per_year_l : float
        Need of a year, and the allowance of the model ordinance for the same area [L]; NaN without a landscape.
    storage : tuple of StorageLine
        Greywater against the landscape's need; empty without a landscape.
    yields : tuple of YieldLine
        A steady source against the demand without losses.
    published : tuple of Published
    keep_days : int
        Nights that greywater may be kept.
    lavatory_share : float

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> [demand.name for demand in fs.study.water_budget(result).demand]
    ['all', 'without losses', 'without outdoor use', 'without both']
    """

    days: int
    first: pd.Timestamp
    last: pd.Timestamp
    demand: tuple[Demand, ...]
    greywater: tuple[GreywaterSource, ...]
    need_l: Demand | None
    need_per_year_l: float
    allowance_per_year_l: float
    storage: tuple[StorageLine, ...]
    yields: tuple[YieldLine, ...]
    published: tuple[Published, ...]
    keep_days: int
    lavatory_share: float

    def demand_table(self) -> Table:
        """Return one row a kind of demand: name, mean_l, median_l, high_l, peak_l."""
        names = ("name", "mean_l", "median_l", "high_l", "peak_l")
        rows = [tuple(getattr(d, n) for n in names) for d in self.demand]
        return Table(pd.DataFrame(rows, columns=list(names)).astype({"name": "str"}))


def water_budget(
    result: Disaggregation,
    *,
    landscape: Landscape | None = None,
    bedrooms: int | None = None,
    lavatory_share: float = LAVATORY_SHARE,
    keep_days: int = 1,
    reliability: float = 0.95,
) -> Budget:
    """Draw up the budget of one home.

    Parameters
    ----------
    result : Disaggregation
    landscape : Landscape, optional
        What greywater would water.
    bedrooms : int, optional
        For the published estimate of greywater, which counts bedrooms.
    lavatory_share : float
        Part of the faucet water that runs in lavatories, 0 to 1; kitchen sinks are no greywater in the codes.
    keep_days : int
        Nights that greywater may be kept, >= 0; many rules say one day, one appendix three.
    reliability : float
        Share of days on which a steady source must meet the demand.

    Raises
    ------
    NotEnoughDataError
        If fewer than `LEAST_DAYS` complete days were observed.
    OptionError
        If an option is out of range.

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> budget = fs.study.water_budget(result, bedrooms=3)
    >>> budget.days
    14
    """
    if not 0 <= lavatory_share <= 1:
        raise OptionError(f"lavatory_share is {lavatory_share!r}, expected a share from 0 to 1")
    if keep_days < 0 or (bedrooms is not None and bedrooms < 1):
        raise OptionError("keep_days is expected to be at least 0, bedrooms at least 1")
    days = daily_volumes(result)
    meant = daily_volumes(result, without=is_left_running(result).to_numpy(dtype=bool)).chosen(days.complete)
    days = days.chosen(days.complete)
    if days.n_complete < LEAST_DAYS:
        raise NotEnoughDataError(f"{days.n_complete} complete days, expected at least {LEAST_DAYS} for a budget")
    parts = greywater_by_source(days, lavatory_share=lavatory_share)
    together = np.sum(list(parts.values()), axis=0)
    tight = meant.total_l - meant.of(*LOSSES)
    need = landscape.need_l(days.dates) if landscape is not None else None
    nan = float("nan")
    return Budget(
        days=days.n_complete,
        first=days.dates[0],
        last=days.dates[-1],
        demand=(
            _demand("all", days.total_l),
            _demand("without losses", tight),
            _demand("without outdoor use", days.total_l - days.of(*OUTDOORS)),
            _demand("without both", tight - meant.of(*OUTDOORS)),
        ),
        greywater=tuple(
            GreywaterSource(source=name, mean_l=float(v.mean()), low_l=float(np.quantile(v, 0.1)))
            for name, v in {**parts, "together": together}.items()
        ),
        need_l=_demand("landscape", need) if need is not None else None,
        need_per_year_l=landscape.per_year_l if landscape is not None else nan,
        allowance_per_year_l=_allowance_l(landscape) if landscape is not None else nan,
        storage=_storage(together, need, keep_days) if need is not None else (),
        yields=_yields(tight, reliability),
        published=published_beside(parts, bedrooms=bedrooms) if bedrooms is not None else (),
        keep_days=keep_days,
        lavatory_share=lavatory_share,
    )


def _demand(name: str, volume_l: FloatArray) -> Demand:
    return Demand(
        name=name,
        mean_l=float(volume_l.mean()),
        median_l=float(np.median(volume_l)),
        high_l=float(np.quantile(volume_l, 0.95)),
        peak_l=float(volume_l.max()),
    )


def _storage(supply_l: FloatArray, need_l: FloatArray, keep_days: int) -> tuple[StorageLine, ...]:
    lines = []
    for share in RELIABILITIES:
        storage = storage_for_reliability_l(supply_l, need_l, reliability=share, keep_days=keep_days)
        lines.append(
            StorageLine(
                reliability=share,
                storage_l=float("nan") if storage is None else storage,
                steady_need_l=steady_need_l(supply_l, storage_l=0.0, reliability=share, keep_days=0),
            )
        )
    return tuple(lines)


def _yields(demand_l: FloatArray, reliability: float) -> tuple[YieldLine, ...]:
    lines = []
    for share in YIELDS:
        daily = share * float(demand_l.mean())
        if daily <= 0:
            break
        storage = storage_for_yield_l(demand_l, yield_l=daily, reliability=reliability)
        lines.append(
            YieldLine(yield_l=daily, reliability=reliability, storage_l=float("nan") if storage is None else storage)
        )
    return tuple(lines)


def _allowance_l(landscape: Landscape) -> float:
    gallons = applied_water_allowance_gal(
        eto_in=landscape.eto_in_per_year,
        area_ft2=landscape.area_m2 / M2_PER_FT2,
        adjustment=figure("landscape.etaf_homes").value,
    )
    return gallons * L_PER_GAL
