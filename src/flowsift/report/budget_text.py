"""The water budget in plain text."""

from __future__ import annotations

import math

from flowsift.amounts import Amounts
from flowsift.report.sections import Section, bullets, wrapped
from flowsift.report.wording import cautions_section
from flowsift.study.budget import Budget, Demand
from flowsift.units import UnitSystem


def budget_sections(budget: Budget, *, units: UnitSystem) -> tuple[Section, ...]:
    """Return the budget as sections of text."""
    say = Amounts(units=units)
    period = f"{budget.days} complete days, {budget.first:%Y-%m-%d} to {budget.last:%Y-%m-%d}"
    sections = [
        Section(heading="Water budget", lines=wrapped(period)),
        Section(heading=f"Demand a day ({say.unit})", lines=_demand(budget.demand, say)),
        Section(heading=f"Greywater that codes allow, a day ({say.unit})", lines=_greywater(budget, say)),
    ]
    if budget.need_l is not None:
        sections.append(Section(heading="What the landscape needs", lines=_landscape(budget, budget.need_l, say)))
        sections.append(Section(heading="Greywater against that need", lines=_storage(budget, say)))
    sections.append(Section(heading="A steady source against the demand without losses", lines=_yields(budget, say)))
    if budget.published:
        sections.append(Section(heading="Published design figures beside the measured ones", lines=_codes(budget, say)))
    sections.append(
        cautions_section(
            "greywater", "greywater sources", "greywater storage", "cross-connection", "dig", "electricity"
        )
    )
    return tuple(sections)


def _demand(demand: tuple[Demand, ...], say: Amounts) -> tuple[str, ...]:
    lines = [f"  {'':<24}{'mean':>10}{'median':>10}{'95 %':>10}{'peak':>10}"]
    for d in demand:
        values = "".join(f"{say.number(v):>10,.1f}" for v in (d.mean_l, d.median_l, d.high_l, d.peak_l))
        lines.append(f"  {d.name:<24}{values}")
    return tuple(lines)


def _greywater(budget: Budget, say: Amounts) -> tuple[str, ...]:
    lines = [f"  {'':<24}{'mean':>10}{'9 in 10 days':>14}"]
    for source in budget.greywater:
        lines.append(f"  {source.source:<24}{say.number(source.mean_l):>10,.1f}{say.number(source.low_l):>14,.1f}")
    share = f"lavatories: {100 * budget.lavatory_share:.0f} % of the faucet water is taken to run in them"
    return (*lines, *wrapped(share))


def _landscape(budget: Budget, need: Demand, say: Amounts) -> tuple[str, ...]:
    return (
        *wrapped(f"{say.volume(need.mean_l)} a day on these days, {say.volume(need.peak_l)} on the driest"),
        *wrapped(
            f"{say.volume(budget.need_per_year_l)} a year; allowance of the model ordinance of 2015 for homes: "
            f"{say.volume(budget.allowance_per_year_l)}"
        ),
        *wrapped("reference evapotranspiration x plant factor x area / efficiency, no rain counted"),
    )


def _storage(budget: Budget, say: Amounts) -> tuple[str, ...]:
    nights = f"{budget.keep_days} night{'s' * (budget.keep_days != 1)}"
    lines = [
        *wrapped(f"kept for at most {nights}; run day by day"),
        f"  {'whole need met on':<24}{'storage':>12}{'steady need without storage':>32}",
    ]
    for line in budget.storage:
        storage = "never" if math.isnan(line.storage_l) else say.volume(line.storage_l)
        days = f"{100 * line.reliability:.0f} % of days"
        lines.append(f"  {days:<24}{storage:>12}{say.volume(line.steady_need_l):>32}")
    return tuple(lines)


def _yields(budget: Budget, say: Amounts) -> tuple[str, ...]:
    if not budget.yields:
        return ("  no demand",)
    lines = [f"  demand met on {100 * budget.yields[0].reliability:.0f} % of days; run day by day"]
    lines.append(f"  {'yield a day':>16}{'storage':>16}")
    for line in budget.yields:
        storage = "never" if math.isnan(line.storage_l) else say.volume(line.storage_l)
        lines.append(f"  {say.volume(line.yield_l):>16}{storage:>16}")
    return tuple(lines)


def _codes(budget: Budget, say: Amounts) -> tuple[str, ...]:
    lines = [f"  {'':<28}{'published':>12}{'measured':>12}"]
    for p in budget.published:
        lines.append(f"  {p.name:<28}{say.volume(p.per_day_l):>12}{say.volume(p.measured_l):>12}")
    return (*lines, *bullets(dict.fromkeys(p.source for p in budget.published)))
