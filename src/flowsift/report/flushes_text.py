"""The study of flushes in plain text, 80 columns: of one home, and of many."""

from __future__ import annotations

import textwrap

from flowsift.report.account_text import WIDTH, Section
from flowsift.standards import figure
from flowsift.study.cautions import cautions
from flowsift.study.flushes_homes import HomesStudy
from flowsift.study.flushes_leaks import FlapperLeak
from flowsift.study.flushes_measured import FlushVolume, Toilet
from flowsift.study.flushes_study import FlushStudy
from flowsift.units import L_PER_GAL, UnitSystem

LIMITS = (
    ("1.28 gal", "toilet.flush_limit_high_efficiency.gal_per_flush", "high-efficiency limit"),
    ("1.6 gal", "toilet.flush_limit_gravity_tank", "US limit"),
)
"""Published limits that a full flush is held against."""

_LITRES = {"si": 1.0, "us": L_PER_GAL}
_VOLUME = {"si": "L", "us": "gal"}


def flushes_sections(study: FlushStudy, *, units: UnitSystem = "si", width: int = WIDTH) -> tuple[Section, ...]:
    """Return the study of one home as sections of text.

    Parameters
    ----------
    study : FlushStudy
    units : {"si", "us"}
        Litres, or US gallons.
    width : int
        Longest line, >= 60.
    """
    sections = [Section(heading="Volume per flush", lines=_record(study, units, width))]
    for toilet in study.toilets:
        sections.append(Section(heading=_heading(toilet, units), lines=_toilet(toilet, units, width)))
    sections.append(Section(heading="Refills with nobody flushing", lines=_leak(study, units, width)))
    if study.left_out:
        lines = [
            f"{left.n_events:,} {_events(left.n_events)}, {left.volume_l / _LITRES[units]:,.1f} {_VOLUME[units]}: "
            f"{left.reason}"
            for left in study.left_out
        ]
        sections.append(Section(heading="Called flushes upstream, left out here", lines=_all(lines, width)))
    if study.limits:
        sections.append(Section(heading="What this trace can't tell", lines=_all(list(study.limits), width)))
    if study.toilets:
        sections.append(Section(heading="What this rests on", lines=_basis(study, width)))
    if study.toilets or study.leak:
        reminders = cautions(("dye", "valve") if study.leak else ("valve",))
        sections.append(Section(heading="Before you open a tank", lines=_all([c.text for c in reminders], width)))
    return tuple(sections)


def homes_sections(study: HomesStudy, *, units: UnitSystem = "si", width: int = WIDTH) -> tuple[Section, ...]:
    """Return the study of many homes as sections of text."""
    litres, unit = _LITRES[units], _VOLUME[units]
    homes, toilets = study.homes, study.toilets
    studied = homes[homes["problem"] == ""]
    without = int((studied["toilets"] == 0).sum())
    lines = [
        f"{len(studied):,} homes studied, {len(homes) - len(studied):,} could not be read; {len(toilets):,} toilets; "
        f"{without:,} homes without a toilet that could be resolved",
    ]
    if len(toilets):
        mean, low, high = study.mean("per_flush_l")
        lines.append(
            f"{mean / litres:.2f} {unit} a flush, mean of homes (90 % interval over homes: "
            f"{low / litres:.2f} to {high / litres:.2f})"
        )
        mean, low, high = study.mean("flushes_per_day")
        lines.append(f"{mean:.1f} flushes a day and home ({low:.1f} to {high:.1f})")
        leaky = int((studied["leak_per_day_l"] > 0).sum())
        lines.append(f"{leaky:,} {_homes(leaky)} with refills that nobody caused (a leaking flapper)")
    sections = [Section(heading="Volume per flush, many homes", lines=_all(lines, width))]
    if not len(toilets):
        return tuple(sections)
    saving_unit = f"{unit} a year"
    rows = [f"  {'class':<24}{'toilets':>8}{'share':>8}{'90 % interval':>16}{unit + '/flush':>11}{'saves':>11}"]
    for row in study.by_class().to_dict("records"):
        interval = f"{100 * row['low']:.0f} to {100 * row['high']:.0f} %"
        rows.append(
            f"  {row['class'][:24]:<24}{row['toilets']:>8,}{100 * row['share']:>6.0f} %{interval:>16}"
            f"{row['per_flush_l'] / litres:>11.2f}{row['saving_per_year_l'] / litres:>11,.0f}"
        )
    saved = toilets["saving_per_year_l"].sum() / litres
    notes = [
        f"saves: {saving_unit}, mean of a toilet of the class, if it were replaced; "
        f"{saved:,.0f} {saving_unit} for all {len(toilets):,} toilets",
        *(_assumptions()),
    ]
    sections.append(Section(heading="By class", lines=tuple(rows)))
    sections.append(Section(heading="What the saving assumes", lines=_all(notes, width)))
    return tuple(sections)


def _assumptions() -> tuple[str, ...]:
    record = figure("toilet.flush_limit_high_efficiency.gal_per_flush")
    return (
        f"the replacement takes {record.value:g} gal ({record.value_l:.2f} L) every flush, unless another volume is "
        f"given ({record.source.title}, {record.source.year})",
        "as many flushes as in the record, every day of the year; no second flush that the old one did not need",
        "leaks are not counted",
    )


def _record(study: FlushStudy, units: UnitSystem, width: int) -> tuple[str, ...]:
    litres, unit = _LITRES[units], _VOLUME[units]
    pulse = f"{study.pulse_l / litres:.3g} {unit} a pulse" if study.pulse_l else "no pulse step"
    lines = [f"{study.days:,.1f} days with data, {study.interval_s:g} s intervals, {pulse}"]
    if not study.toilets:
        lines.append(
            "No toilet could be resolved: no volume and flow repeat as a tank's refill does. A longer record, a "
            "shorter interval or a smaller pulse may show one."
        )
    return _all(lines, width)


def _heading(toilet: Toilet, units: UnitSystem) -> str:
    litres, unit = _LITRES[units], _VOLUME[units]
    many = f", at least {toilet.at_least} alike" if toilet.at_least > 1 else ""
    return f"{toilet.name}: {toilet.full.volume_l / litres:.2f} {unit} a {_kind(toilet)}{many}"


def _kind(toilet: Toilet) -> str:
    return "flush" if toilet.reduced is None else "full flush"


def _toilet(toilet: Toilet, units: UnitSystem, width: int) -> tuple[str, ...]:
    litres, unit = _LITRES[units], _VOLUME[units]
    lines = [_flush(_kind(toilet), toilet.full, units)]
    if toilet.reduced is not None and toilet.effective_l is not None:
        lines.append(_flush("reduced flush", toilet.reduced, units))
        lines.append(
            f"effective volume {toilet.effective_l / litres:.2f} {unit} (two reduced, one full); as used here "
            f"{toilet.mean_l / litres:.2f} {unit}"
        )
    lines.append(_class(toilet))
    per_day = toilet.mean_l * toilet.flushes_per_day / litres
    lines.append(
        f"{toilet.flushes_per_day:.1f} flushes a day, {per_day:,.1f} {unit} a day, "
        f"{100 * toilet.share_of_home:.0f} % of the home's water"
    )
    lines.append(f"refill {toilet.refill_lpm / litres:.2f} {unit}/min, about {toilet.refill_s:.0f} s")
    if toilet.at_least > 1:
        lines.append(f"refills overlapped: at least {toilet.at_least} toilets, too alike to tell apart")
    if toilet.drift is not None and toilet.drift.told:
        drift = toilet.drift
        lines.append(
            f"drifts by {drift.per_month_l / litres:+.2f} {unit} in 30 days (between {drift.low_l / litres:+.2f} and "
            f"{drift.high_l / litres:+.2f}): look at the float and the flapper"
        )
    saving = toilet.saving
    if saving.per_year_l > 0:
        lines.append(
            f"a {saving.replacement_l / litres:.2f} {unit} toilet in its place would save about "
            f"{saving.per_year_l / litres:,.0f} {unit} a year ({saving.low_l / litres:,.0f} to "
            f"{saving.high_l / litres:,.0f})"
        )
    return _all(lines, width)


def _flush(kind: str, volume: FlushVolume, units: UnitSystem) -> str:
    litres, unit = _LITRES[units], _VOLUME[units]
    alone = f"{100 * volume.clean_share:.0f} % of {volume.flushes:,} ran alone"
    return (
        f"{kind}: {volume.volume_l / litres:.2f} {unit}, between {volume.low_l / litres:.2f} and "
        f"{volume.high_l / litres:.2f} ({alone})"
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


def _leak(study: FlushStudy, units: UnitSystem, width: int) -> tuple[str, ...]:
    litres, unit = _LITRES[units], _VOLUME[units]
    lines = ["none found"] if study.leak is None else list(_leak_lines(study.leak, units))
    if study.runs.n_runs:
        lines.append(
            f"{study.runs.n_runs:,} long {'run' if study.runs.n_runs == 1 else 'runs'} of "
            f"{study.runs.volume_l / litres:,.0f} {unit} in all may be a flapper that hung open, or another use"
        )
    return _all(lines, width)


def _leak_lines(leak: FlapperLeak, units: UnitSystem) -> tuple[str, ...]:
    litres, unit = _LITRES[units], _VOLUME[units]
    if not leak.toilets:
        whose = "whose flow fits none of the toilets above"
    elif len(leak.toilets) == 1:
        whose = f"at the refill flow of {leak.toilets[0]}"
    else:
        whose = f"at the refill flow of {' or '.join(leak.toilets)}"
    when = f"{leak.first:%Y-%m-%d %H:%M} to {leak.last:%Y-%m-%d %H:%M}"
    return (
        f"about {leak.per_day_l / litres:,.1f} {unit} a day over the record, "
        f"{leak.per_day_while_l / litres:,.1f} while it went on ({when})",
        f"{leak.n_refills:,} refills of about {leak.refill_l / litres:.2f} {unit}, one in {leak.every_min:.0f} min, "
        f"{100 * leak.at_night:.0f} % of them between midnight and five, {whose}",
        "A worn flapper or its seat lets the tank sink. A dye in the tank that shows in the bowl after 15 minutes "
        "proves it.",
    )


def _basis(study: FlushStudy, width: int) -> tuple[str, ...]:
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
    return _all(lines, width)


def _all(lines: list[str], width: int) -> tuple[str, ...]:
    return tuple(
        part for line in lines for part in textwrap.wrap(line, width, initial_indent="  ", subsequent_indent="    ")
    )


def _events(n: int) -> str:
    return "event" if n == 1 else "events"


def _homes(n: int) -> str:
    return "home" if n == 1 else "homes"
