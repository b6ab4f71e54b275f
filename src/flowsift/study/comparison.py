"""Did the repair hold? Two periods side by side, with intervals that respect how much days differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from flowsift.disaggregation import Disaggregation
from flowsift.errors import NotEnoughDataError, OptionError
from flowsift.labels import PARTS
from flowsift.standards.conversion import DAYS_PER_YEAR
from flowsift.study.comparison_days import mean_draws
from flowsift.study.daily_volumes import LOSSES, OUTDOORS, DailyVolumes, daily_volumes
from flowsift.study.tariff import PERIOD_DAYS, Tariff
from flowsift.tables import Table
from flowsift.units import SECONDS_PER_DAY

TAIL = 0.05
"""Probability beyond each end of an interval (90 %)."""

LEAST_DAYS = 3
"""Complete days needed on each side."""

HELD, PARTLY = 0.15, 0.6
"""A repair held when at most the first share of the loss is left, and did part of it up to the second (assumption)."""

Verdict = Literal["held", "partly", "little changed", "came back", "nothing to compare", "can't tell"]


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
class TricklePeriod:
    """The constant flow of one period.

    Attributes
    ----------
    rate_lpm, low_lpm, high_lpm : float
        Mean rate while it ran [L/min]; 0 where it didn't.
    running : float
        Part of the period in which it ran, 0 to 1.
    """

    rate_lpm: float
    low_lpm: float
    high_lpm: float
    running: float


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
        ``held``, ``partly``, ``little changed``, ``came back``, ``nothing to compare`` or ``can't tell``.
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
        (_trickle(before, None, None), _trickle(after, None, None)),
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
    """Compare one trace before and after a moment; the day of the moment itself counts on neither side.

    Parameters
    ----------
    result : Disaggregation
    at : str or Timestamp
        Moment of the repair, in the time zone of the trace unless it carries one; midnight splits between days.
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
    (8, 6)
    """
    trace = result.trace
    try:
        moment = pd.Timestamp(at)
        moment = moment.tz_localize(trace.timezone) if moment.tzinfo is None else moment.tz_convert(trace.timezone)
    except (ValueError, TypeError) as error:
        raise OptionError(f"at is {at!r}, expected a date or a time such as 2024-06-15 14:00 ({error})") from error
    if not trace.start < moment < trace.end:
        raise OptionError(f"at is {moment}, expected a time inside the trace, {trace.start} to {trace.end}")
    days = daily_volumes(result)
    ends = days.dates + pd.DateOffset(days=1)
    return _compared(
        (days.chosen(np.asarray(ends <= moment)), days.chosen(np.asarray(days.dates >= moment))),
        (_trickle(result, None, moment), _trickle(result, moment, None)),
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
    saving = _saving(losses, whole.before_l, tariff)
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
        whole_saving=_saving(whole, whole.before_l, tariff),
        payback_years=payback,
        currency=tariff.currency if tariff is not None else "",
        verdict=_verdict(losses, sides[1]),
        notes=tuple(notes),
    )


def _saving(change: Change, whole_per_day_l: float, tariff: Tariff | None) -> Saving:
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


def _verdict(losses: Change, after: DailyVolumes) -> Verdict:
    if losses.before_l < 1.0:
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


def _trickle(result: Disaggregation, start: pd.Timestamp | None, end: pd.Timestamp | None) -> TricklePeriod:
    trace, spans = result.trace, result.trickle
    start = trace.start if start is None else start.tz_convert("UTC")
    end = trace.end if end is None else end.tz_convert("UTC")
    inside = [(min(b, end) - max(a, start)).total_seconds() for a, b in zip(spans["start"], spans["end"], strict=True)]
    seconds = np.clip(np.array(inside, dtype=np.float64), 0.0, None)
    whole = max((end - start).total_seconds(), 1.0)
    if seconds.sum() < 1.0:
        return TricklePeriod(rate_lpm=0.0, low_lpm=0.0, high_lpm=0.0, running=0.0)
    rate, low, high = (
        float(np.average(spans[c].to_numpy(np.float64), weights=seconds)) for c in ("rate_lpm", "low_lpm", "high_lpm")
    )
    known = max(whole - trace.gap_s, SECONDS_PER_DAY) if start == trace.start and end == trace.end else whole
    running = min(float(seconds.sum()) / known, 1.0)
    return TricklePeriod(rate_lpm=rate, low_lpm=low, high_lpm=high, running=running)
