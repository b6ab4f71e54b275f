"""The one or two things worth doing, from the leak ledger and the toilets."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup, escape

from flowsift.report.page import amounts
from flowsift.report.wording import money
from flowsift.study.flushes_study import FlushStudy
from flowsift.study.leaks_ledger import LeakLedger

MOST = 2
"""Things said."""

WORTH_L = 2000.0
"""Least yearly volume worth a word [L] (assumption: about 5 L a day)."""


@dataclass(frozen=True, kw_only=True)
class Advice:
    """One thing worth doing: what, and why."""

    what: str
    why: Markup


def worth_doing(ledger: LeakLedger, study: FlushStudy) -> tuple[Advice, ...]:
    """Return what would save most water, largest first; empty where nothing stands out."""
    found: list[tuple[float, Advice]] = []
    for line in ledger.lines:
        if not line.ongoing or line.per_year_l < WORTH_L:
            continue
        cost = "" if ledger.cost_per_year is None else f", {money(line.cost_per_year, ledger.currency)} a year"
        name = f"{line.kind.capitalize()}, {line.fixture}" if line.fixture else line.kind.capitalize()
        why = Markup("{} ({}) is still going: {} a year if it goes on{}. {} evidence. Look first at: {}.").format(
            name,
            amounts.flow(line.rate_lpm),
            amounts.volume(line.per_year_l),
            cost,
            line.sure.capitalize(),
            line.where[0] if line.where else "",
        )
        found.append((line.per_year_l, Advice(what="Find the loss", why=why)))
    for toilet in study.toilets:
        saving = toilet.saving
        if saving.low_l < WORTH_L:
            continue
        why = Markup("It takes {} a flush ({}). One that takes {} would save {} a year (90 % interval {}).").format(
            amounts.small_volume(toilet.mean_l),
            toilet.classes,
            amounts.small_volume(saving.replacement_l),
            amounts.volume(saving.per_year_l),
            amounts.volume_range(saving.low_l, saving.high_l),
        )
        found.append((saving.per_year_l, Advice(what=f"Think about replacing {toilet.name}", why=Markup(escape(why)))))
    found.sort(key=lambda pair: -pair[0])
    return tuple(advice for _, advice in found[:MOST])
