"""The study of flushes in plain text, 80 columns: of one home, and of many."""

from __future__ import annotations

import math

from flowsift.amounts import Amounts
from flowsift.report.sections import Section, wrapped_all
from flowsift.standards import figure
from flowsift.study.cautions import cautions
from flowsift.study.flushes_homes import HomesStudy
from flowsift.study.flushes_leaks import FlapperLeak
from flowsift.study.flushes_measured import FlushVolume, Toilet
from flowsift.study.flushes_study import FlushStudy
from flowsift.units import UnitSystem

LIMITS = (
    ("1.28 gal", "toilet.flush_limit_high_efficiency.gal_per_flush", "high-efficiency limit"),
    ("1.6 gal", "toilet.flush_limit_gravity_tank", "US limit"),
)
"""Published limits that a full flush is held against."""


def flushes_sections(study: FlushStudy, *, units: UnitSystem = "si") -> tuple[Section, ...]:
    """Return the study of one home as sections of text.

    Parameters
    ----------
    study : FlushStudy
    units : {"si", "us"}
        Litres, or US gallons.
    """
    say = Amounts(units=units)
    sections = [Section(heading="Volume per flush", lines=_record(study, say))]
    for toilet in study.toilets:
        sections.append(Section(heading=_heading(toilet, say), lines=_toilet(toilet, say)))
    sections.append(Section(heading="Refills with nobody flushing", lines=_leak(study, say)))
    if study.left_out:
        lines = [
            f"{left.n_events:,} {_events(left.n_events)}, {say.number(left.volume_l):,.1f} {say.unit}: {left.reason}"
            for left in study.left_out
        ]
        sections.append(Section(heading="Labelled flush, but left out here", lines=wrapped_all(lines)))
    if study.limits:
        sections.append(Section(heading="What this trace can't tell", lines=wrapped_all(study.limits)))
    if study.toilets:
        sections.append(Section(heading="What this rests on", lines=_basis(study)))
    if study.toilets or study.leak:
        reminders = cautions(("dye", "valve") if study.leak else ("valve",))
        sections.append(Section(heading="Before you open a tank", lines=wrapped_all(c.text for c in reminders)))
    return tuple(sections)


def homes_sections(study: HomesStudy, *, units: UnitSystem = "si") -> tuple[Section, ...]:
    """Return the study of many homes as sections of text."""
    say = Amounts(units=units)
    homes, toilets = study.homes, study.toilets
    studied = homes[homes["problem"] == ""]
    without = int((studied["toilets"] == 0).sum())
    lines = [
        f"{len(studied):,} homes studied, {len(homes) - len(studied):,} could not be read; {len(toilets):,} toilets"
        + (f"; {without:,} homes without a toilet that could be resolved" if without else ""),
    ]
    if len(toilets):
        mean, low, high = study.mean("per_flush_l")
        lines.append(
            f"{say.number(mean):.2f} {say.unit} a flush, mean of homes (90 % interval over homes: "
            f"{say.number(low):.2f} to {say.number(high):.2f})"
        )
        mean, low, high = study.mean("flushes_per_day")
        lines.append(f"{mean:.1f} flushes a day and home with a resolved toilet ({low:.1f} to {high:.1f})")
        leaky = int((studied["leak_per_day_l"] > 0).sum())
        lines.append(f"{leaky:,} {_homes(leaky)} with refills that nobody caused (a leaking flapper)")
    sections = [Section(heading="Volume per flush, many homes", lines=wrapped_all(lines))]
    if not len(toilets):
        return tuple(sections)
    saving_unit = f"{say.unit} a year"
    rows = [f"  {'class':<24}{'toilets':>8}{'share':>8}{'90 % interval':>16}{say.unit + '/flush':>11}{'saves':>11}"]
    for row in study.by_class().to_dict("records"):
        interval = f"{100 * row['low']:.0f} to {100 * row['high']:.0f} %"
        rows.append(
            f"  {row['class'][:24]:<24}{row['toilets']:>8,}{100 * row['share']:>6.0f} %{interval:>16}"
            f"{say.number(row['per_flush_l']):>11.2f}{say.number(row['saving_per_year_l']):>11,.0f}"
        )
    saved = say.number(toilets["saving_per_year_l"].sum())
    notes = [
        f"saves: {saving_unit}, mean of a toilet of the class, if it were replaced; "
        f"{saved:,.0f} {saving_unit} for all {len(toilets):,} toilets",
        *(_assumptions()),
    ]
    sections.append(Section(heading="By class", lines=tuple(rows)))
    sections.append(Section(heading="What the saving assumes", lines=wrapped_all(notes)))
    return tuple(sections)


def _assumptions() -> tuple[str, ...]:
    record = figure("toilet.flush_limit_high_efficiency.gal_per_flush")
    return (
        f"the replacement takes {record.value:g} gal ({record.value_l:.2f} L) every flush, unless another volume is "
        f"given ({record.source.title}, {record.source.year})",
        "as many flushes as in the record, every day of the year; no second flush that the old one did not need",
        "leaks are not counted",
    )


def _record(study: FlushStudy, say: Amounts) -> tuple[str, ...]:
    pulse = f"{say.number(study.pulse_l):.3g} {say.unit} a pulse" if study.pulse_l else "no pulse step"
    lines = [f"{study.days:,.1f} days with data, {study.interval_s:g} s intervals, {pulse}"]
    if not study.toilets:
        lines.append(
            "No toilet could be resolved: no volume and flow repeat as a tank's refill does. A longer record, a "
            "shorter interval or a smaller pulse may show one."
        )
    return wrapped_all(lines)


def _heading(toilet: Toilet, say: Amounts) -> str:
    many = f", at least {toilet.at_least} alike" if toilet.at_least > 1 else ""
    return f"{toilet.name}: {say.number(toilet.full.volume_l):.2f} {say.unit} a {_kind(toilet)}{many}"


def _kind(toilet: Toilet) -> str:
    return "flush" if toilet.reduced is None else "full flush"


def _toilet(toilet: Toilet, say: Amounts) -> tuple[str, ...]:
    lines = [_flush(_kind(toilet), toilet.full, say)]
    if toilet.reduced is not None and toilet.effective_l is not None:
        lines.append(_flush("reduced flush", toilet.reduced, say))
        lines.append(
            f"effective volume {say.number(toilet.effective_l):.2f} {say.unit} (two reduced, one full); as used here "
            f"{say.number(toilet.mean_l):.2f} {say.unit}"
        )
    lines.append(_class(toilet))
    per_day = say.number(toilet.mean_l * toilet.flushes_per_day)
    lines.append(
        f"{toilet.flushes_per_day:.1f} flushes a day, {per_day:,.1f} {say.unit} a day, "
        f"{100 * toilet.share_of_home:.0f} % of the home's water"
    )
    if math.isfinite(toilet.refill_lpm):
        lines.append(f"refill {say.number(toilet.refill_lpm):.2f} {say.unit}/min, about {toilet.refill_s:.0f} s")
    if toilet.at_least > 1:
        lines.append(f"refills overlapped: at least {toilet.at_least} toilets, too alike to tell apart")
    if toilet.drift is not None and toilet.drift.told:
        drift = toilet.drift
        lines.append(
            f"drifts by {say.number(drift.per_month_l):+.2f} {say.unit} in 30 days (between "
            f"{say.number(drift.low_l):+.2f} and {say.number(drift.high_l):+.2f}): look at the float and the flapper"
        )
    saving = toilet.saving
    if saving.per_year_l > 0:
        lines.append(
            f"a {say.number(saving.replacement_l):.2f} {say.unit} toilet in its place would save about "
            f"{say.number(saving.per_year_l):,.0f} {say.unit} a year ({say.number(saving.low_l):,.0f} to "
            f"{say.number(saving.high_l):,.0f})"
        )
    return wrapped_all(lines)


def _flush(kind: str, volume: FlushVolume, say: Amounts) -> str:
    alone = f"{100 * volume.clean_share:.0f} % of {volume.flushes:,} ran alone"
    return (
        f"{kind}: {say.number(volume.volume_l):.2f} {say.unit}, between {say.number(volume.low_l):.2f} and "
        f"{say.number(volume.high_l):.2f} ({alone})"
    )


def _class(toilet: Toilet) -> str:
    classes = toilet.classes.classes
    if toilet.classes.certain:
        said = f"class {classes[0].name}: {classes[0].era} ({classes[0].figure.source.title})"
    else:
        said = f"class {toilet.classes}: this record can't tell which"
    held = []
    for words, key, what in LIMITS:
        limit_l = figure(key).value_l
        if toilet.classes.low_l > limit_l:
            held.append(f"above the {what} of {words}")
        elif toilet.classes.high_l <= limit_l:
            held.append(f"within the {what} of {words}")
        else:
            held.append(f"above or within the {what} of {words}, can't tell")
    return f"{said}; {'; '.join(held)}"


def _leak(study: FlushStudy, say: Amounts) -> tuple[str, ...]:
    lines = ["none found"] if study.leak is None else list(_leak_lines(study.leak, say))
    if study.runs.n_runs:
        lines.append(
            f"{study.runs.n_runs:,} long {'run' if study.runs.n_runs == 1 else 'runs'} of "
            f"{say.number(study.runs.volume_l):,.0f} {say.unit} in all may be a flapper that hung open, or another use"
        )
    return wrapped_all(lines)


def _leak_lines(leak: FlapperLeak, say: Amounts) -> tuple[str, ...]:
    if not leak.toilets:
        whose = "whose flow fits none of the toilets above"
    elif len(leak.toilets) == 1:
        whose = f"at the refill flow of {leak.toilets[0]}"
    else:
        whose = f"at the refill flow of {' or '.join(leak.toilets)}"
    when = f"{leak.first:%Y-%m-%d %H:%M} to {leak.last:%Y-%m-%d %H:%M}"
    when += f", in {leak.n_spans} spells" if leak.n_spans > 1 else ""
    return (
        f"about {say.number(leak.per_day_l):,.1f} {say.unit} a day over the record, "
        f"{say.number(leak.per_day_while_l):,.1f} while it went on ({when})",
        f"{leak.n_refills:,} refills of about {say.number(leak.refill_l):.2f} {say.unit}, one in "
        f"{leak.every_min:.0f} min, {100 * leak.at_night:.0f} % of them between midnight and five, {whose}",
        "A worn flapper or its seat lets the tank sink. A dye in the tank that shows in the bowl after 15 minutes "
        "proves it.",
    )


def _basis(study: FlushStudy) -> tuple[str, ...]:
    limits = study.toilets[0].meter
    low = min(t.meter.low for t in study.toilets)
    meter = (
        f"meter: {study.meter}, registers {100 * low:.1f} to {100 * limits.high:.1f} % at these flows"
        f" ({limits.sources[0].source.title})"
        if limits.sources
        else "meter: taken as exact"
    )
    lines = [
        f"intervals are {100 * study.coverage:.0f} %: spread between flushes, pulses, water of other uses, and the "
        "meter's own error, which does not average out",
        "toilets whose volume and refill flow are alike within what this record shows stand here as one; of such a "
        "group only a least number is known",
        meter,
        f"saving: {'; '.join(study.toilets[0].saving.assumptions)}",
    ]
    return wrapped_all(lines)


def _events(n: int) -> str:
    return "event" if n == 1 else "events"


def _homes(n: int) -> str:
    return "home" if n == 1 else "homes"
