"""The leak ledger in plain text."""

from __future__ import annotations

import numpy as np

from flowsift.amounts import Amounts
from flowsift.digits import round_to_sum
from flowsift.report.sections import Section, bullets, wrapped
from flowsift.report.wording import TOO_SHORT, cautions_section, moment, money
from flowsift.standards.conversion import MM_PER_IN
from flowsift.study.leaks_ledger import LeakLedger
from flowsift.study.leaks_lines import LeakLine
from flowsift.study.leaks_sizes import drips_per_min, hole_mm
from flowsift.units import UnitSystem


def ledger_sections(ledger: LeakLedger, *, units: UnitSystem) -> tuple[Section, ...]:
    """Return the ledger as sections of text."""
    say = Amounts(units=units)
    sections = [
        Section(
            heading="Leak ledger",
            lines=wrapped(f"{moment(ledger.start)} to {moment(ledger.end)}, {ledger.days:,.1f} days observed"),
        )
    ]
    for number, line in enumerate(ledger.lines, start=1):
        title = f"{number}. {line.kind}" + (f", {line.fixture}" if line.fixture else "")
        sections.append(Section(heading=title, lines=_line(line, ledger, say)))
    if not ledger.lines:
        limit = ledger.smallest_visible_lpm
        text = (
            f"none found; a constant flow below about {say.flow(limit)} may not have shown, nor one below the meter's "
            "start"
            if np.isfinite(limit)
            else f"none found; {TOO_SHORT}"
        )
        sections.append(Section(heading="Losses", lines=wrapped(text)))
    sections.append(Section(heading="Where the metered water went", lines=_balance(ledger, say)))
    if ledger.lines:
        sections.append(cautions_section("valve", "meter", "pit", "dig", "electricity", "dye"))
    return tuple(sections)


def _line(line: LeakLine, ledger: LeakLedger, say: Amounts) -> tuple[str, ...]:
    ended = "and still going" if line.ongoing else f"ended {moment(line.until)}"
    since = "there from the start" if line.since <= ledger.start else f"since {moment(line.since)}"
    out = [*wrapped(f"{since}, {ended}")]
    out += wrapped(f"{say.flow(line.rate_lpm)} ({say.bounds(line.low_lpm, line.high_lpm)})")
    volume = f"{say.volume(line.volume_l)} lost in this record"
    if line.per_day_l > 0:
        while_ = "" if line.ongoing else " while it ran"
        volume += f"; {say.volume(line.per_day_l)} a day{while_}"
    if line.ongoing and line.per_year_l > 0:
        volume += f", {say.volume(line.per_year_l)} a year if it goes on"
        if ledger.cost_per_year is not None:
            volume += f": {money(line.cost_per_year, ledger.currency)} a year"
    out += wrapped(volume)
    out += wrapped(f"{line.sure}: {line.reason}")
    if line.kind == "constant trickle":
        hole = hole_mm(line.rate_lpm)
        size = f"{hole:.1f} mm" if say.units == "si" else f"{hole / MM_PER_IN:.3f} in"
        drips = drips_per_min(line.rate_lpm)
        drops = "" if drips is None else f", or {drips:.0f} drops a minute"
        out += wrapped(f"as much as a round hole of {size} lets out at usual pressure (60 psi, 4 bar){drops}")
    out += wrapped("look first at:")
    return (*out, *(f"  {text}" for text in bullets(line.where)))


def _balance(ledger: LeakLedger, say: Amounts) -> tuple[str, ...]:
    names = ("losses above", "uses", "not explained")
    volumes = (ledger.losses_l, ledger.uses_l, ledger.unexplained_l)
    printed = round_to_sum([say.number(v) for v in volumes], total=say.number(ledger.metered_l), decimals=1)
    rows = [f"  {name:<20}{value:>13,.1f} {say.unit}" for name, value in zip(names, printed, strict=True)]
    rows.append(f"  {'metered':<20}{sum(printed):>13,.1f} {say.unit}")
    if ledger.per_day_l > 0:
        text = f"still going: {say.volume(ledger.per_day_l)} a day, {say.volume(ledger.per_year_l)} a year"
        if ledger.cost_per_year is not None:
            text += f", {money(ledger.cost_per_year, ledger.currency)} a year"
        rows += wrapped(text)
    return tuple(rows)
