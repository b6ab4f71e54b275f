"""Two periods side by side in plain text."""

from __future__ import annotations

import math

from flowsift.amounts import Amounts
from flowsift.labels import label_words
from flowsift.report.sections import Section, bullets, wrapped
from flowsift.report.wording import money
from flowsift.study.comparison import Comparison
from flowsift.study.comparison_change import Change, Saving
from flowsift.study.comparison_trickle import TricklePeriod
from flowsift.units import UnitSystem

_VERDICTS = {
    "held": "The repair held: little or nothing is left of the loss.",
    "partly": "The repair did part of it: some of the loss is left.",
    "little changed": "The loss has hardly changed.",
    "came back": "The loss fell, then rose again: it came back.",
    "lost more": "No repair shows: it loses more than before. A loss began or grew.",
    "nothing to compare": "There was no loss before, so nothing to repair shows.",
    "can't tell": "Days differ too much to tell whether the loss changed: compare longer periods.",
}


def comparison_sections(comparison: Comparison, *, units: UnitSystem) -> tuple[Section, ...]:
    """Return the comparison as sections of text."""
    say = Amounts(units=units)
    days = f"{comparison.days_before} complete days before, {comparison.days_after} after"
    trickle = [
        _period("before", comparison.trickle_before, say),
        _period("after", comparison.trickle_after, say),
    ]
    if comparison.trickle_before.running or comparison.trickle_after.running:
        trickle += wrapped(
            "Its volume a day, above, holds draws too small to be told from it; the interval there is of how days "
            "differ, this one of the rate."
        )
    sections = [
        Section(heading="Did it hold?", lines=(*wrapped(_VERDICTS[comparison.verdict]), *wrapped(days))),
        Section(heading=f"Use a day ({say.unit}), weighted to whole weeks", lines=_changes(comparison, say)),
        Section(heading="Trickle", lines=tuple(trickle)),
        Section(heading="Saved", lines=_saved(comparison, say)),
    ]
    if comparison.notes:
        sections.append(Section(heading="Note", lines=bullets(comparison.notes)))
    return tuple(sections)


def _changes(comparison: Comparison, say: Amounts) -> tuple[str, ...]:
    lines = [f"  {'':<30}{'before':>9}{'after':>9}{'change':>9}{'between':>21}"]
    lines += [_change(change, label_words(change.label), say) for change in comparison.labels]
    sums = (comparison.losses, comparison.indoors, comparison.whole)
    return (*lines, *(_change(change, change.label, say) for change in sums))


def _change(change: Change, name: str, say: Amounts) -> str:
    values = (change.before_l, change.after_l, change.change_l)
    before, after, by = (_short(say.number(value)) for value in values)
    between = f"{_short(say.number(change.low_l))} to {_short(say.number(change.high_l))}"
    return f"  {name[:30]:<30}{before:>9}{after:>9}{by:>9}{between:>21}"


def _short(value: float) -> str:
    """Return a number with one decimal, or none where it has four digits and more: columns stay narrow."""
    return f"{value:,.1f}" if abs(value) < 1000 else f"{value:,.0f}"


def _period(name: str, period: TricklePeriod, say: Amounts) -> str:
    if period.running == 0:
        return f"  {name:<8}none found"
    bounds = say.bounds(period.low_lpm, period.high_lpm)
    return f"  {name:<8}{say.flow(period.rate_lpm)} ({bounds}), {100 * period.running:.0f} % of the time"


def _saved(comparison: Comparison, say: Amounts) -> tuple[str, ...]:
    lines = [
        *wrapped(f"of the losses: {_saving(comparison.saving, comparison.currency, say)}"),
        *wrapped(f"of everything: {_saving(comparison.whole_saving, comparison.currency, say)}"),
    ]
    if comparison.payback_years is not None:
        years = comparison.payback_years
        text = f"{12 * years:,.0f} months" if years < 2 else f"{years:,.1f} years"
        lines += wrapped(f"the repair pays back in {text}" if math.isfinite(years) else "the repair does not pay back")
    return tuple(lines)


def _saving(saving: Saving, currency: str, say: Amounts) -> str:
    sign = -1.0 if saving.per_day_l < 0 else 1.0
    low, high = sorted(sign * say.number(bound_l) for bound_l in (saving.low_per_day_l, saving.high_per_day_l))
    text = f"{say.volume(sign * saving.per_day_l)} a day (between {low:,.1f} and {high:,.1f}), "
    text += f"{say.volume(sign * saving.per_month_l)} a month, {say.volume(sign * saving.per_year_l)} a year"
    if saving.money_per_month is not None and saving.money_per_year is not None:
        a_month, a_year = (money(sign * cost, currency) for cost in (saving.money_per_month, saving.money_per_year))
        text += f"; {a_month} a month, {a_year} a year"
    return text if sign > 0 else f"nothing, it took more: {text}"
