"""The water account in plain text, 80 columns, readable without colour."""

from __future__ import annotations

import pandas as pd

from flowsift.amounts import Amounts
from flowsift.labels import TRICKLE, UNEXPLAINED, label_words
from flowsift.quality import Finding
from flowsift.report.account import Account, TrickleLine
from flowsift.report.rounded import RoundedUse, rounded_uses
from flowsift.report.sections import Section, wrapped, wrapped_all
from flowsift.report.wording import TOO_SHORT, lasting, moment, zone_words
from flowsift.units import UnitSystem

ALL_THE_TIME = 0.995
"""A trickle that runs for more than this part of the time is said to run all the time."""

_FINDING_HEADINGS = {
    "fault": "Wrong with the data",
    "assumption": "Assumed",
    "limit": "What this trace can't tell",
}


def account_sections(account: Account, *, units: UnitSystem = "si") -> tuple[Section, ...]:
    """Return the account as sections of text.

    Parameters
    ----------
    account : Account
    units : {"si", "us"}
        Litres, or US gallons.

    Returns
    -------
    tuple of Section
        Printed volumes, per-day figures and shares add up to the printed totals. A record shorter than a day has no
        figures a day.
    """
    say = Amounts(units=units)
    rows = rounded_uses(account, say)
    printed = {row.use.label: row for row in rows}
    sections = [
        Section(heading="Water account", lines=_period(account, say)),
        Section(heading="Where the water went", lines=_uses(account, rows, say)),
        Section(heading="Trickle (constant flow under everything)", lines=_trickle(account, printed, say)),
    ]
    if account.toilets or account.unmeasured_flushes:
        sections.append(Section(heading="Volume per flush", lines=_toilets(account, say)))
    sections.append(Section(heading="Not explained", lines=_unexplained(account, printed, say)))
    for kind, heading in _FINDING_HEADINGS.items():
        found = [finding for finding in account.findings if finding.kind == kind]
        if found:
            texts = (_finding(finding, account.timezone, units) for finding in found)
            sections.append(Section(heading=heading, lines=wrapped_all(texts)))
    return tuple(sections)


def _period(account: Account, say: Amounts) -> tuple[str, ...]:
    missing = f", {lasting(account.gap_s)} missing" if account.gap_s else ""
    daily = "" if account.short else f", {say.tenths(account.per_day_l)} a day"
    return wrapped_all(
        (
            f"{moment(account.start)} to {moment(account.end)}, {zone_words(account.timezone)}",
            f"{lasting(account.observed_s)} metered{missing}",
            f"{say.tenths(account.metered_l)} metered{daily}",
        )
    )


def _uses(account: Account, rows: list[RoundedUse], say: Amounts) -> tuple[str, ...]:
    def line(name: str, uses: str, volume: str, daily: str, share: str, sure: str = "") -> str:
        a_day = "" if account.short else f"{daily:>13}"
        return f"  {name:<20}{uses:>8}{volume:>13}{a_day}{share:>10}{sure:>9}".rstrip()

    volume, daily, share = (sum(getattr(row, name) for row in rows) for name in ("volume", "daily", "share"))
    return (
        line("", "uses", say.unit, f"{say.unit} a day", "share", "sure"),
        *(
            line(
                label_words(row.use.label),
                f"{row.use.uses:,}" if row.use.uses else "",
                f"{row.volume:,.1f}",
                f"{row.daily:,.1f}",
                f"{row.share:.1f} %",
                "" if row.use.probability is None else f"{100.0 * row.use.probability:.0f} %",
            )
            for row in rows
        ),
        line("in all", "", f"{volume:,.1f}", f"{daily:,.1f}", f"{share:.1f} %"),
    )


def _trickle(account: Account, printed: dict[str, RoundedUse], say: Amounts) -> tuple[str, ...]:
    trickle = account.trickle
    if trickle is None or TRICKLE not in printed:
        return wrapped("none found" if account.trickle_told else TOO_SHORT)
    row = printed[TRICKLE]
    daily = "" if account.short else f"{row.daily:,.1f} {say.unit} a day, "
    rate = (
        f"{say.flow_range(trickle.least_lpm, trickle.most_lpm)}, mean {say.flow(trickle.rate_lpm)}"
        if trickle.changed
        else f"{say.flow(trickle.rate_lpm)} ({say.bounds(trickle.low_lpm, trickle.high_lpm)})"
    )
    return (
        f"  {rate}",
        f"  {_when(account, trickle)}",
        f"  {daily}{row.volume:,.1f} {say.unit} in all",
    )


def _when(account: Account, trickle: TrickleLine) -> str:
    if trickle.running > ALL_THE_TIME:
        return "all the time"
    first = "from the start" if trickle.first <= account.start else f"from {moment(trickle.first)}"
    last = "to the end" if trickle.last >= account.end else f"to {moment(trickle.last)}"
    spans = f" in {trickle.spans} spans" if trickle.spans > 1 else ""
    return f"{first} {last}{spans}, {100.0 * trickle.running:.0f} % of the time"


def _toilets(account: Account, say: Amounts) -> tuple[str, ...]:
    lines = [
        f"  {t.toilet + (', reduced' if t.kind == 'reduced' else ''):<20}{say.number(t.per_flush_l):>8.2f} {say.unit} "
        f"(between {say.number(t.low_l):.2f} and {say.number(t.high_l):.2f}), {t.flushes:,} {_flushes(t.flushes)}"
        for t in account.toilets
    ]
    left = account.unmeasured_flushes
    if left:
        many = f"{left:,} more {_flushes(left)}" if lines else f"{left:,} {_flushes(left)}"
        note = f"{many}, {say.tenths(account.unmeasured_flush_l)}, at no repeated volume: not measured"
        lines += wrapped(note)
    return tuple(lines)


def _flushes(n: int) -> str:
    return "flush" if n == 1 else "flushes"


def _unexplained(account: Account, printed: dict[str, RoundedUse], say: Amounts) -> tuple[str, ...]:
    if account.unexplained.volume_l <= 0:
        return ("  nothing",)
    row, gap = printed[UNEXPLAINED], account.gap_volume_l
    of_gap = f"; {say.tenths(gap)} of it passed while no data came in" if gap > 0 else ""
    return wrapped(f"{row.volume:,.1f} {say.unit}, {row.share:.1f} % of the whole{of_gap}")


def _finding(finding: Finding, timezone: str, units: UnitSystem) -> str:
    count = f" ({finding.count:,})" if finding.count else ""
    first = ""
    if finding.first_ns is not None:
        when = pd.Timestamp(finding.first_ns, unit="ns", tz="UTC").tz_convert(timezone)
        first = f", first at {when:%Y-%m-%d %H:%M:%S}"
    said = finding.said(units)
    return f"{finding.what}{count}{first}{f': {said}' if said else ''}"
