"""The water account in plain text, 80 columns, readable without colour."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass

import pandas as pd

from flowsift.labels import TRICKLE, UNEXPLAINED, label_words
from flowsift.quality import Finding
from flowsift.report.account import Account, TrickleLine, UseLine
from flowsift.report.digits import plain, plain_pair, round_to_sum
from flowsift.units import L_PER_GAL, SECONDS_PER_DAY, SECONDS_PER_MINUTE, UnitSystem

WIDTH = 80
"""Columns of a terminal that every line fits in."""

ALL_THE_TIME = 0.995
"""A trickle that runs for more than this part of the time is said to run all the time."""

_FINDING_HEADINGS = {
    "fault": "Wrong with the data",
    "assumption": "Assumed",
    "limit": "What this trace can't tell",
}

SECONDS_PER_HOUR = 60.0 * SECONDS_PER_MINUTE

_LITRES = {"si": 1.0, "us": L_PER_GAL}
_VOLUME = {"si": "L", "us": "gal"}


@dataclass(frozen=True, kw_only=True)
class Section:
    """A heading and the lines under it.

    Attributes
    ----------
    heading : str
    lines : tuple of str
        None longer than the width asked for.
    """

    heading: str
    lines: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class _Row:
    """One printed row of the table of uses: rounded so that each column adds up."""

    use: UseLine
    volume: float
    daily: float
    share: float


def account_sections(account: Account, *, units: UnitSystem = "si", width: int = WIDTH) -> tuple[Section, ...]:
    """Return the account as sections of text.

    Parameters
    ----------
    account : Account
    units : {"si", "us"}
        Litres, or US gallons.
    width : int
        Longest line, >= 60.

    Returns
    -------
    tuple of Section
        Printed volumes, per-day figures and shares add up to the printed totals.
    """
    rows = _rows(account, units)
    printed = {row.use.label: row for row in rows}
    sections = [
        Section(heading="Water account", lines=_period(account, units, width)),
        Section(heading="Where the water went", lines=_uses(rows, units)),
        Section(heading="Trickle (constant flow under everything)", lines=_trickle(account, printed, units)),
    ]
    if account.toilets or account.unmeasured_flushes:
        sections.append(Section(heading="Volume per flush", lines=_toilets(account, units, width)))
    sections.append(Section(heading="Not explained", lines=_unexplained(account, printed, units, width)))
    for kind, heading in _FINDING_HEADINGS.items():
        found = [finding for finding in account.findings if finding.kind == kind]
        if found:
            lines = tuple(line for finding in found for line in _finding(finding, account.timezone, width))
            sections.append(Section(heading=heading, lines=lines))
    return tuple(sections)


def account_text(account: Account, *, units: UnitSystem = "si", width: int = WIDTH) -> str:
    """Return the account as one text: sections with an empty line between them."""
    sections = account_sections(account, units=units, width=width)
    return "\n\n".join("\n".join([section.heading, *section.lines]) for section in sections) + "\n"


def _period(account: Account, units: UnitSystem, width: int) -> tuple[str, ...]:
    days = account.observed_s / SECONDS_PER_DAY
    seen = f"{days:,.1f} days metered" if days >= 1 else f"{account.observed_s / SECONDS_PER_HOUR:,.1f} hours metered"
    missing = f", {_duration(account.gap_s)} missing" if account.gap_s else ""
    volume = f"{_volume(account.metered_l, units)} metered, {_volume(account.per_day_l, units)} a day"
    return (
        *_wrapped(f"{account.start:%Y-%m-%d %H:%M} to {account.end:%Y-%m-%d %H:%M}, {account.timezone}", width),
        f"  {seen}{missing}",
        f"  {volume}",
    )


def _rows(account: Account, units: UnitSystem) -> list[_Row]:
    litres = _LITRES[units]
    shown = [u for u in account.uses if u.volume_l > 0 or u.label == UNEXPLAINED]
    volumes = round_to_sum((u.volume_l / litres for u in shown), decimals=1)
    daily = round_to_sum((u.per_day_l / litres for u in shown), decimals=1)
    shares = round_to_sum((100.0 * u.share for u in shown), decimals=1)
    columns = zip(shown, volumes, daily, shares, strict=True)
    return [_Row(use=use, volume=volume, daily=day, share=share) for use, volume, day, share in columns]


def _uses(rows: list[_Row], units: UnitSystem) -> tuple[str, ...]:
    unit = _VOLUME[units]
    header = f"  {'':<20}{'uses':>8}{unit:>13}{unit + ' a day':>13}{'share':>10}{'sure':>9}"
    volume, daily, share = (sum(getattr(row, name) for row in rows) for name in ("volume", "daily", "share"))
    total = f"  {'in all':<20}{'':>8}{volume:>13,.1f}{daily:>13,.1f}{share:>8.1f} %"
    return (header, *map(_use_line, rows), total)


def _use_line(row: _Row) -> str:
    use = row.use
    uses = f"{use.uses:,}" if use.uses else ""
    sure = "" if use.probability is None else f"{100.0 * use.probability:.0f} %"
    numbers = f"{row.volume:>13,.1f}{row.daily:>13,.1f}{row.share:>8.1f} %"
    return f"  {label_words(use.label):<20}{uses:>8}{numbers}{sure:>9}".rstrip()


def _trickle(account: Account, printed: dict[str, _Row], units: UnitSystem) -> tuple[str, ...]:
    trickle = account.trickle
    if trickle is None or TRICKLE not in printed:
        return ("  none found",)
    litres, unit = _LITRES[units], _VOLUME[units]
    low, high = plain_pair(trickle.low_lpm / litres, trickle.high_lpm / litres)
    row = printed[TRICKLE]
    return (
        f"  {plain(trickle.rate_lpm / litres)} {unit}/min (between {low} and {high})",
        f"  {_when(account, trickle)}",
        f"  {row.daily:,.1f} {unit} a day, {row.volume:,.1f} {unit} in all",
    )


def _when(account: Account, trickle: TrickleLine) -> str:
    if trickle.running > ALL_THE_TIME:
        return "all the time"
    first = "from the start" if trickle.first <= account.start else f"from {trickle.first:%Y-%m-%d %H:%M}"
    last = "to the end" if trickle.last >= account.end else f"to {trickle.last:%Y-%m-%d %H:%M}"
    spans = f" in {trickle.spans} spans" if trickle.spans > 1 else ""
    return f"{first} {last}{spans}, {100.0 * trickle.running:.0f} % of the time"


def _toilets(account: Account, units: UnitSystem, width: int) -> tuple[str, ...]:
    litres, unit = _LITRES[units], _VOLUME[units]
    lines = [
        f"  {t.toilet + (', reduced' if t.kind == 'reduced' else ''):<20}{t.per_flush_l / litres:>8.2f} {unit} "
        f"(between {t.low_l / litres:.2f} and {t.high_l / litres:.2f}), {t.flushes:,} {_flushes(t.flushes)}"
        for t in account.toilets
    ]
    left = account.unmeasured_flushes
    if left:
        many = f"{left:,} more {_flushes(left)}" if lines else f"{left:,} {_flushes(left)}"
        note = f"{many}, {_volume(account.unmeasured_flush_l, units)}, at no repeated volume: not measured"
        lines += _wrapped(note, width)
    return tuple(lines)


def _flushes(n: int) -> str:
    return "flush" if n == 1 else "flushes"


def _unexplained(account: Account, printed: dict[str, _Row], units: UnitSystem, width: int) -> tuple[str, ...]:
    if account.unexplained.volume_l <= 0:
        return ("  nothing",)
    row, gap = printed[UNEXPLAINED], account.gap_volume_l
    of_gap = f"; {_volume(gap, units)} of it passed while no data came in" if gap > 0 else ""
    return _wrapped(f"{row.volume:,.1f} {_VOLUME[units]}, {row.share:.1f} % of the whole{of_gap}", width)


def _finding(finding: Finding, timezone: str, width: int) -> tuple[str, ...]:
    count = f" ({finding.count:,})" if finding.count else ""
    first = ""
    if finding.first_ns is not None:
        when = pd.Timestamp(finding.first_ns, unit="ns", tz="UTC").tz_convert(timezone)
        first = f", first at {when:%Y-%m-%d %H:%M:%S}"
    treatment = f": {finding.treatment}" if finding.treatment else ""
    return _wrapped(f"{finding.what}{count}{first}{treatment}", width)


def _volume(litres: float, units: UnitSystem) -> str:
    return f"{litres / _LITRES[units]:,.1f} {_VOLUME[units]}"


def _duration(seconds: float) -> str:
    if seconds >= 2 * SECONDS_PER_DAY:
        return f"{seconds / SECONDS_PER_DAY:,.1f} days"
    if seconds >= 2 * SECONDS_PER_HOUR:
        return f"{seconds / SECONDS_PER_HOUR:,.1f} hours"
    if seconds >= 2 * SECONDS_PER_MINUTE:
        return f"{seconds / SECONDS_PER_MINUTE:,.0f} minutes"
    return f"{seconds:,.0f} s"


def _wrapped(text: str, width: int) -> tuple[str, ...]:
    return tuple(textwrap.wrap(text, width, initial_indent="  ", subsequent_indent="    "))
