"""How much a label changed from one period to another, and what the change saves."""

from __future__ import annotations

from dataclasses import dataclass

from flowsift.standards.conversion import DAYS_PER_YEAR
from flowsift.study.tariff import PERIOD_DAYS, Tariff


@dataclass(frozen=True, kw_only=True)
class Change:
    """Change of one label, or of some together.

    Attributes
    ----------
    label : str
    before_l, after_l : float
        Mean volume a day, weighted to whole weeks [L].
    change_l, low_l, high_l : float
        After less before, with a 90 % interval [L a day].
    """

    label: str
    before_l: float
    after_l: float
    change_l: float
    low_l: float
    high_l: float


@dataclass(frozen=True, kw_only=True)
class Saving:
    """What was saved, or costs more (negative).

    Attributes
    ----------
    per_day_l, low_per_day_l, high_per_day_l : float
        Volume a day with a 90 % interval [L].
    per_month_l, per_year_l : float
        The same a month (a twelfth of a year) and a year [L].
    money_per_month, money_per_year : float or None
        In money; None without a tariff.
    """

    per_day_l: float
    low_per_day_l: float
    high_per_day_l: float
    per_month_l: float
    per_year_l: float
    money_per_month: float | None
    money_per_year: float | None


def saving_of(change: Change, *, whole_per_day_l: float, tariff: Tariff | None) -> Saving:
    """Return what a change saves; in block rates it is priced from the top of the whole use before it."""
    per_day = -change.change_l
    money = None
    if tariff is not None:
        after = max(whole_per_day_l - per_day, 0.0)
        money = tariff.cost_per_year(whole_per_day_l) - tariff.cost_per_year(after)
    return Saving(
        per_day_l=per_day,
        low_per_day_l=-change.high_l,
        high_per_day_l=-change.low_l,
        per_month_l=per_day * PERIOD_DAYS["month"],
        per_year_l=per_day * DAYS_PER_YEAR,
        money_per_month=None if money is None else money / 12.0,
        money_per_year=money,
    )
