"""What a run over many homes prints: plain text, 80 columns."""

from __future__ import annotations

from flowsift.amounts import Amounts
from flowsift.fleet.names import printable
from flowsift.fleet.run import FleetRun
from flowsift.labels import TRICKLE, UNEXPLAINED, label_words
from flowsift.report.sections import Section, wrapped
from flowsift.units import UnitSystem

LISTED = 20
"""Failed homes that are printed; the file has all."""


def fleet_sections(run: FleetRun, *, units: UnitSystem) -> tuple[Section, ...]:
    """Return the summary over homes as sections of text."""
    amounts = Amounts(units=units)
    sections = [Section(heading="Fleet", lines=_counts(run, amounts))]
    if run.totals.n_homes:
        sections.append(Section(heading="Where the water went", lines=_uses(run, amounts)))
    if len(run.failed):
        sections.append(Section(heading="Failed", lines=_failed(run)))
    return tuple(sections)


def _counts(run: FleetRun, amounts: Amounts) -> tuple[str, ...]:
    totals = run.totals
    homes = f"{run.n_homes:,} homes: {totals.n_homes:,} answered"
    kept = f" ({run.n_kept:,} of them before)" if run.n_kept else ""
    failed = f", {len(run.failed):,} failed" if len(run.failed) else ""
    lines = [*wrapped(f"{homes}{kept}{failed}", hang=2), *wrapped(f"answers in {run.out}", hang=4)]
    if totals.n_homes:
        low, middle, high = (amounts.volume(float(value)) for value in totals.per_day_l((0.1, 0.5, 0.9)))
        lines += [
            f"  {totals.home_days:,.1f} home-days metered, {amounts.volume(totals.metered_l)}",
            f"  a home takes {middle} a day (median); one in ten less than {low},",
            f"  one in ten more than {high}",
        ]
    return tuple(lines)


def _uses(run: FleetRun, amounts: Amounts) -> tuple[str, ...]:
    totals = run.totals
    labels = [label for label in totals.volume_l if label not in (TRICKLE, UNEXPLAINED)]
    labels.sort(key=lambda label: -totals.volume_l[label])
    lines = [f"  {'':<20}{'homes':>9}{amounts.unit:>18}{f'{amounts.unit} a home a day':>20}{'share':>10}"]
    for label in (*labels, TRICKLE, UNEXPLAINED):
        volume = totals.volume_l[label]
        if volume == 0 and label in labels:
            continue
        lines.append(_line(label_words(label), f"{totals.homes_with[label]:,}", volume, run, amounts))
    lines.append(_line("in all", f"{totals.n_homes:,}", totals.metered_l, run, amounts))
    return tuple(lines)


def _line(name: str, homes: str, volume_l: float, run: FleetRun, amounts: Amounts) -> str:
    totals = run.totals
    daily = volume_l / totals.home_days if totals.home_days else 0.0
    share = 100.0 * volume_l / totals.metered_l if totals.metered_l else 0.0
    volume, daily = amounts.number(volume_l), amounts.number(daily)
    return f"  {name:<20}{homes:>9}{volume:>18,.1f}{daily:>20,.1f}{share:>8.1f} %"


def _failed(run: FleetRun) -> tuple[str, ...]:
    lines: list[str] = []
    for row in run.failed.head(LISTED).itertuples():
        lines += wrapped(f"{printable(str(row.home))}: {row.error}")
        lines += wrapped(f"-> {row.what_to_do}", indent=4, hang=7)
    if len(run.failed) > LISTED:
        lines.append(f"  and {len(run.failed) - LISTED:,} more in failed.csv beside the answers")
    return tuple(lines)
