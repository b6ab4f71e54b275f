"""Did the repair hold? Two periods side by side, with intervals that respect how much days differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from flowsift.disaggregation import Disaggregation
from flowsift.errors import NotEnoughDataError, OptionError
from flowsift.ingest.instants import written_instant
from flowsift.labels import PARTS
from flowsift.study.comparison_change import Change, Saving, saving_of
from flowsift.study.comparison_days import mean_draws
from flowsift.study.comparison_trickle import TricklePeriod, trickle_between
from flowsift.study.daily_volumes import LOSSES, OUTDOORS, DailyVolumes, daily_volumes
from flowsift.study.tariff import Tariff
from flowsift.tables import Table

TAIL = 0.05
"""Probability beyond each end of an interval (90 %)."""

LEAST_DAYS = 3
"""Complete days needed on each side."""

HELD, PARTLY = 0.15, 0.6
"""A repair held when at most the first share of the loss is left, and did part of it up to the second (assumption)."""

LEAST_LOSS_L = 1.0
"""Losses below this count for nothing [L a day] (assumption)."""

Verdict = Literal["held", "partly", "little changed", "came back", "lost more", "nothing to compare", "can't tell"]


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """Two periods side by side.

    Attributes
    ----------
    days_before, days_after : int
        Complete days that were compared.
    labels : tuple of Change
        One for each label that occurs, largest change first; they add up to `whole`.
    whole, indoors, losses : Change
        Everything; everything but irrigation, hose and pool; trickle and toilet leaks.
    trickle_before, trickle_after : TricklePeriod
    saving, whole_saving : Saving
        Of the losses, and of everything.
    payback_years : float or None
        Years until the saving of losses has paid the cost; inf if it never does, None without cost or tariff.
    currency : str
    verdict : str
        ``held``, ``partly``, ``little changed``, ``came back``, ``lost more``, ``nothing to compare`` or
        ``can't tell``.
    notes : tuple of str

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> fs.study.compare_at(result, "2024-06-18").table().columns[0]
    'label'
    """

    days_before: int
    days_after: int
    labels: tuple[Change, ...]
    whole: Change
    indoors: Change
    losses: Change
    trickle_before: TricklePeriod
    trickle_after: TricklePeriod
    saving: Saving
    whole_saving: Saving
    payback_years: float | None
    currency: str
    verdict: Verdict
    notes: tuple[str, ...]

    def table(self) -> Table:
        """Return one row a label, then the sums: label, before_l, after_l, change_l, low_l, high_l."""
        names = ("label", "before_l", "after_l", "change_l", "low_l", "high_l")
        rows = [tuple(getattr(c, n) for n in names) for c in (*self.labels, self.losses, self.indoors, self.whole)]
        return Table(pd.DataFrame(rows, columns=list(names)).astype({"label": "str"}))


def compare(
    before: Disaggregation,
    after: Disaggregation,
    *,
    tariff: Tariff | None = None,
    cost: float | None = None,
    n_resamples: int = 2000,
    random_state: int = 0,
) -> Comparison:
    """Compare two traces of one home.

    Parameters
    ----------
    before, after : Disaggregation
    tariff : Tariff, optional
        Turns savings into money.
    cost : float, optional
        What the repair cost, for its payback.
    n_resamples : int
        Resamples of days behind each interval.
    random_state : int
        Seed of the resampling.

    Raises
    ------
    NotEnoughDataError
        If a side has fewer than `LEAST_DAYS` complete days.
    OptionError
        If `n_resamples` is below 1.

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> unchanged = fs.study.compare(result, result, n_resamples=200)
    >>> abs(unchanged.whole_saving.per_day_l)
    0.0
    """
    return _compared(
        (daily_volumes(before), daily_volumes(after)),
        (trickle_between(before), trickle_between(after)),
        tariff=tariff,
        cost=cost,
        n_resamples=n_resamples,
        random_state=random_state,
    )


def compare_at(
    result: Disaggregation,
    at: str | pd.Timestamp,
    *,
    tariff: Tariff | None = None,
    cost: float | None = None,
    n_resamples: int = 2000,
    random_state: int = 0,
) -> Comparison:
    """Compare one trace before and after a repair; the day of the repair itself counts on neither side.

    Parameters
    ----------
    result : Disaggregation
    at : str or Timestamp
        Date or moment of the repair, in the time zone of the trace unless it carries one.
    tariff, cost, n_resamples, random_state
        As in `compare`, and so are the errors.

    Raises
    ------
    OptionError
        If `at` can't be read or lies outside the trace.

    Examples
    --------
    >>> import flowsift as fs
    >>> result = fs.disaggregate(fs.households.read_shipped("demo").trace)
    >>> compared = fs.study.compare_at(result, "2024-06-18", n_resamples=200)
    >>> compared.days_before, compared.days_after
    (8, 5)
    """
    trace = result.trace
    try:
        moment = written_instant(at, timezone=trace.timezone)
    except OptionError as error:
        raise OptionError(f"at is {at!r}, expected a date or a time such as 2024-06-15 14:00") from error
    if not trace.start < moment < trace.end:
        raise OptionError(f"at is {moment}, expected a time inside the trace, {trace.start} to {trace.end}")
    days = daily_volumes(result)
    day = np.arange(days.dates.size)
    of_repair = int(days.dates.searchsorted(moment, side="right")) - 1
    next_day = next(iter(days.dates[of_repair + 1 :]), trace.end)
    return _compared(
        (days.chosen(day < of_repair), days.chosen(day > of_repair)),
        (trickle_between(result, end=days.dates[of_repair]), trickle_between(result, next_day)),
        tariff=tariff,
        cost=cost,
        n_resamples=n_resamples,
        random_state=random_state,
    )


def _compared(
    days: tuple[DailyVolumes, DailyVolumes],
    trickle: tuple[TricklePeriod, TricklePeriod],
    *,
    tariff: Tariff | None,
    cost: float | None,
    n_resamples: int,
    random_state: int,
) -> Comparison:
    if n_resamples < 1:
        raise OptionError(f"n_resamples is {n_resamples!r}, expected at least 1")
    sides = [side.chosen(side.complete) for side in days]
    for side, name in zip(sides, ("before", "after"), strict=True):
        if side.n_complete < LEAST_DAYS:
            raise NotEnoughDataError(f"{side.n_complete} complete days {name}, expected at least {LEAST_DAYS}")
    rng = np.random.default_rng(random_state)
    notes: list[str] = []
    means, draws = [], []
    for side, name in zip(sides, ("before", "after"), strict=True):
        mean, drawn, note = mean_draws(side, n_resamples=n_resamples, rng=rng)
        means.append(mean)
        draws.append(drawn)
        notes += [f"{name}: {text}" for text in note]

    def change(label: str, columns: tuple[str, ...]) -> Change:
        k = [PARTS.index(c) for c in columns]
        a, b = (float(m[k].sum()) for m in means)
        differences = draws[1][:, k].sum(axis=1) - draws[0][:, k].sum(axis=1)
        low, high = np.quantile(differences, [TAIL, 1.0 - TAIL])
        return Change(label=label, before_l=a, after_l=b, change_l=b - a, low_l=float(low), high_l=float(high))

    seen = [c for c in PARTS if any(side.of(c).sum() > 0 for side in sides)]
    labels = sorted((change(c, (c,)) for c in seen), key=lambda line: -abs(line.change_l))
    whole = change("whole", PARTS)
    indoors = change("whole without outdoor use", tuple(c for c in PARTS if c not in OUTDOORS))
    losses = change("losses (trickle, toilet leaks)", LOSSES)
    saving = saving_of(losses, whole_per_day_l=whole.before_l, tariff=tariff)
    payback = None
    if cost is not None and saving.money_per_year is not None:
        payback = cost / saving.money_per_year if saving.money_per_year > 0 else float("inf")
    return Comparison(
        days_before=sides[0].n_complete,
        days_after=sides[1].n_complete,
        labels=tuple(labels),
        whole=whole,
        indoors=indoors,
        losses=losses,
        trickle_before=trickle[0],
        trickle_after=trickle[1],
        saving=saving,
        whole_saving=saving_of(whole, whole_per_day_l=whole.before_l, tariff=tariff),
        payback_years=payback,
        currency=tariff.currency if tariff is not None else "",
        verdict=_verdict(losses, sides[1]),
        notes=tuple(notes),
    )


def _verdict(losses: Change, after: DailyVolumes) -> Verdict:
    if losses.low_l > 0 and losses.change_l > max(HELD * losses.before_l, LEAST_LOSS_L):
        return "lost more"
    if losses.before_l < LEAST_LOSS_L:
        return "nothing to compare"
    if losses.high_l >= 0:
        return "little changed" if losses.low_l > -HELD * losses.before_l else "can't tell"
    daily = after.of(*LOSSES)
    third = max(daily.size // 3, 1)
    first, last = float(daily[:third].mean()), float(daily[-third:].mean())
    if last > first + HELD * losses.before_l and daily.size >= 2 * LEAST_DAYS:
        return "came back"
    left = losses.after_l / losses.before_l
    return "held" if left <= HELD else "partly" if left <= PARTLY else "little changed"
