"""Alert levels in plain text."""

from __future__ import annotations

import math

from flowsift.amounts import Amounts
from flowsift.digits import plain
from flowsift.report.sections import Section, bullets, wrapped
from flowsift.report.wording import lasting
from flowsift.standards import figure
from flowsift.study.alerts import AlertLevel, AlertPlan, Caught
from flowsift.units import UnitSystem

_PUBLISHED = (
    ("leak.alert_rule_at_least_this_much_every_hour_for_24_h", "in every hour for 24 hours"),
    ("leak.alert_rule_never_below_this_for_48_h", "and never less for 48 hours"),
)


def alert_sections(plan: AlertPlan, *, units: UnitSystem) -> tuple[Section, ...]:
    """Return the levels as sections of text."""
    say = Amounts(units=units)
    rest = wrapped(
        f"from {plan.days:,.1f} days of this home, its losses taken out, for at most {plan.allowed_per_year:g} false "
        f"alarm{'s' * (plan.allowed_per_year != 1)} a year"
    )
    sections = [Section(heading="Alert levels", lines=rest)]
    for level in (plan.constant, plan.high):
        sections.append(Section(heading=level.rule.kind.capitalize(), lines=_level(level, say)))
    sections.append(Section(heading=f"Every duration tried ({say.unit}/min)", lines=_tried(plan, say)))
    sections.append(Section(heading="Rules that utilities use", lines=bullets(_published(say))))
    return tuple(sections)


def _level(level: AlertLevel, say: Amounts) -> tuple[str, ...]:
    rule = level.rule
    minutes = rule.block_s / 60
    text = f"alarm when each block of {minutes:g} min for {lasting(rule.lasting_s)} on end saw at least "
    text += f"{say.flow(rule.level_lpm)}"
    false = f"{level.false_alarms} false alarm{'s' * (level.false_alarms != 1)} in the record; so short a record only "
    false += f"says fewer than {plain(level.most_per_year)} a year (95 %)"
    lines = [*wrapped(text), *wrapped(false)]
    return (*lines, *(line for caught in level.caught for line in wrapped(_caught(caught, say))))


def _caught(caught: Caught, say: Amounts) -> str:
    whose = "in this record: " if caught.own else ""
    name = f"{whose}{caught.name} ({say.flow(caught.rate_lpm)})"
    if not math.isfinite(caught.after_s):
        lost = f", {say.volume(caught.lost_l)} lost" if math.isfinite(caught.lost_l) else ""
        return f"{name}: not caught{lost}"
    return f"{name}: caught after {lasting(caught.after_s)}, {say.volume(caught.lost_l)} lost first"


def _tried(plan: AlertPlan, say: Amounts) -> tuple[str, ...]:
    lines = []
    for level in plan.tried:
        mark = "  <- chosen" if level in (plan.constant, plan.high) else ""
        rule = level.rule
        value = plain(say.number(rule.level_lpm))
        lines.append(f"  {rule.kind:<15}{lasting(rule.lasting_s):>11}{value:>10}{level.false_alarms:>7} false{mark}")
    return tuple(lines)


def _published(say: Amounts) -> list[str]:
    lines = []
    for key, words in _PUBLISHED:
        record = figure(key)
        lines.append(f"{say.volume(record.value_lpm * 60)} an hour {words} ({record.source})")
    return lines
