"""The isolation test in plain text: its result, its plan, proposed times."""

from __future__ import annotations

import math

import pandas as pd

from flowsift.amounts import Amounts
from flowsift.report.sections import Section, bullets, wrapped
from flowsift.report.wording import cautions_section, moment
from flowsift.study.isolation import REST, BranchLeak, Isolation
from flowsift.study.isolation_draws import RepeatedDraws
from flowsift.study.isolation_plan import PRECISION, StepPlan
from flowsift.study.isolation_times import ProposedTime
from flowsift.trace import Trace
from flowsift.units import SECONDS_PER_MINUTE, UnitSystem

TELLING_SHIFT_S = 60.0
"""Times that fit better by more than this are worth a word [s]."""

LAST_COLUMN = 17
"""Width left for the closed branches; more of them stand on a line of their own."""


def isolation_sections(result: Isolation, trace: Trace, *, units: UnitSystem) -> tuple[Section, ...]:
    """Return the result of an isolation test as sections of text."""
    say = Amounts(units=units)
    sections = [
        Section(heading="Isolation test", lines=_steps(result, trace, say)),
        Section(heading=f"Leak by branch ({say.unit}/min)", lines=_branches(result, say)),
        Section(heading="What it means", lines=_meaning(result, say)),
    ]
    if result.shift_s and max(abs(s) for s in result.shift_s) >= TELLING_SHIFT_S:
        moved = ", ".join(f"{s / SECONDS_PER_MINUTE:+.1f}" for s in result.shift_s)
        text = f"the log's times were moved to fit the trace, in minutes: {moved} (--shift 0 takes them as they are)"
        sections.append(Section(heading="Times", lines=wrapped(text)))
    sections.append(cautions_section("sprinklers", "heater", "valve", "meter", "pit", "dig", "electricity"))
    return tuple(sections)


def plan_sections(plan: StepPlan, *, units: UnitSystem) -> tuple[Section, ...]:
    """Return the plan of an isolation test as sections of text."""
    say = Amounts(units=units)
    lines = wrapped(
        f"Each step must last {plan.minutes:.0f} minutes from valve to valve to resolve {say.flow(plan.rate_lpm)} "
        f"(to {100 * PRECISION:.0f} % of it) with a pulse of {say.number(plan.pulse_l):.4g} {say.unit}."
    )
    told = "Time in which water is used comes on top: nobody should use any."
    order = (
        "Begin with everything open, close one branch after another and leave it closed, the main last.",
        "Write down the time of each move to the second; move one valve at a time.",
        "End with everything open again for one more step: it must read what the first did.",
    )
    now_and_then = (
        "A toilet that refills now and then shows only if a step holds several refills: an hour or more. Or shut its "
        "supply stop, and see whether they stop."
    )
    notes = [told, *order, now_and_then]
    if plan.test_flow_lpm is not None and plan.rate_lpm < plan.test_flow_lpm:
        notes.append(
            f"A new meter of this size need only see {say.flow(plan.test_flow_lpm)} ({plan.test_flow_source}): "
            "a smaller leak may not show however long a step lasts."
        )
    return (
        Section(heading="Plan of an isolation test", lines=lines),
        Section(heading="How", lines=bullets(notes)),
        cautions_section("sprinklers", "heater", "valve", "meter", "pit"),
    )


def proposal_sections(found: tuple[ProposedTime, ...], trace: Trace, *, units: UnitSystem) -> tuple[Section, ...]:
    """Return proposed times as sections of text."""
    say = Amounts(units=units)
    lines = tuple(
        f"  {_clock(trace, p.at_s)}   {say.flow(p.before.rate_lpm):>16}  ->{say.flow(p.after.rate_lpm):>16}"
        for p in found
    )
    note = wrapped("A use of many minutes looks like a change: keep the times at which a valve was moved.")
    return (
        Section(heading="Times at which the steady flow changes", lines=lines or ("  none",)),
        Section(heading="Note", lines=note),
    )


def _steps(result: Isolation, trace: Trace, say: Amounts) -> tuple[str, ...]:
    lines = [f"  {'from':<17}{'min':>4}{say.unit + '/min':>9}{'between':>19}{'quiet':>8}  closed"]
    for m in result.steps:
        start = f"{_clock(trace, m.step.start_s):<17}{(m.step.end_s - m.step.start_s) / SECONDS_PER_MINUTE:>4.0f}"
        closed = ", ".join(sorted(m.step.closed)) or "nothing"
        one = closed if len(closed) <= LAST_COLUMN else ""
        if m.rate is None:
            lines.append(f"  {start}{'-':>9}{'':>19}{'':>9}  {one}")
        else:
            low, rate, high = (f"{say.number(x):.3f}" for x in (m.rate.low_lpm, m.rate.rate_lpm, m.rate.high_lpm))
            between = f"{low} - {high}"
            lines.append(f"  {start}{rate:>9}{between:>19}{m.rate.quiet_s / SECONDS_PER_MINUTE:>5.0f} min  {one}")
        notes = [] if one else [f"closed: {closed}"]
        notes += [m.note] if m.note else []
        if m.surge_l > 0.05:
            notes.append(f"refill surge of {say.volume(m.surge_l)} left out")
        if m.draws_l:
            notes.append(f"{_draws(len(m.draws_l))}, {say.volume(m.beyond_l)} beyond the steady flow")
        lines += [line for note in notes for line in wrapped(note, indent=6, hang=8)]
    return tuple(lines)


def _branches(result: Isolation, say: Amounts) -> tuple[str, ...]:
    lines = [f"  {'':<28}{'leak':>9}{'between':>19}"]
    for leak in (*result.branches, result.rest):
        low, rate, high = (f"{say.number(x):.3f}" for x in (leak.low_lpm, leak.rate_lpm, leak.high_lpm))
        if not leak.told:
            lines.append(f"  {leak.name[:28]:<28}{branch_verdict(result, leak):>9}")
            continue
        lines.append(f"  {leak.name[:28]:<28}{rate:>9}{low + ' - ' + high:>19}   {branch_verdict(result, leak)}")
    total = (result.total_low_lpm, result.total_lpm, result.total_high_lpm)
    low, rate, high = (f"{say.number(x):.3f}" for x in total)
    lines.append(f"  {'whole':<28}{rate:>9}{low + ' - ' + high:>19}")
    return tuple(lines)


def branch_verdict(result: Isolation, leak: BranchLeak) -> str:
    """Say in two or three words what the test told of a branch."""
    if not leak.told:
        return "not told"
    if leak.leaks:
        return "leaks"
    return "draws repeat" if _repeats(result, leak) else "no leak shows"


def _repeats(result: Isolation, leak: BranchLeak) -> bool:
    return result.repeated is not None and result.repeated.branches == leak.branches


def _meaning(result: Isolation, say: Amounts) -> tuple[str, ...]:
    texts = []
    if result.steady_done:
        left = "Done: nothing" if result.done else "No steady flow"
        texts.append(
            f"{left} is left above {say.flow(result.visible_lpm)}, the smallest flow that these steps can show."
        )
    else:
        texts.append(
            f"Not done: {say.flow(result.rest.rate_lpm)} ({say.bounds(result.rest.low_lpm, result.rest.high_lpm)}) "
            "is not located. It leaks before the valves, behind a valve that does not hold, or in a branch not tried."
        )
    if result.repeated is not None:
        texts.append(repeated_words(result.repeated, say))
    elif any(m.draws_l for m in result.steps):
        texts.append(
            "The draws beyond the steady flow are taken for uses. A toilet that refills now and then is told from them "
            "only if a step holds several refills."
        )
    for leak in (*result.branches, result.rest):
        if _repeats(result, leak):
            continue
        if leak.told and not leak.leaks and math.isfinite(leak.minutes) and leak.high_lpm > result.visible_lpm:
            target = leak.rate_lpm if leak.rate_lpm > 0 else 0.5 * leak.high_lpm
            texts.append(
                f"{leak.name}: the steps are too short to tell {say.flow(target)} from none; they must last "
                f"{leak.minutes:.0f} min."
            )
    texts.append("Rates are as registered: close to its starting flow a meter shows less than flows.")
    return bullets(texts)


def repeated_words(repeated: RepeatedDraws, say: Amounts) -> str:
    """Say what short draws that came again and again may be, and how surely their branch is known."""
    name = " + ".join(repeated.branches) or REST
    text = f"{name}: {say.volume(repeated.per_hour_l)} an hour in short draws ({_draws(repeated.n_draws)} of about "
    text += f"{say.number(repeated.draw_l):.2g} {say.unit})"
    if not repeated.branches:
        return f"{text} came whatever was closed: a refilling toilet, or uses alike? Shut its supply stop, and see."
    chance = f"{100 * repeated.chance:.2g} %"
    if repeated.sure:
        return f"{text} stopped when it was closed: a refilling toilet? (By chance: {chance}.)"
    return (
        f"{text} came no more when it was closed: a refilling toilet, or uses alike? By chance that is so {chance} "
        "of the time: make the steps longer, or shut the toilet's supply stop."
    )


def _draws(n: int) -> str:
    return f"{n} draw" if n == 1 else f"{n} draws"


def _clock(trace: Trace, seconds: float) -> str:
    return moment((trace.start + pd.Timedelta(seconds, "s")).tz_convert(trace.timezone))
