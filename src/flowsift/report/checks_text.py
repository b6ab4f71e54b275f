"""Checks of the meter in plain text."""

from __future__ import annotations

from flowsift.amounts import Amounts
from flowsift.digits import plain
from flowsift.report.sections import Section, bullets, wrapped
from flowsift.report.wording import cautions_section, lasting
from flowsift.study.meter_checks import Factor, ZeroTest
from flowsift.study.meter_checks_report import MeterReport
from flowsift.units import SECONDS_PER_DAY, SECONDS_PER_MINUTE, UnitSystem

MINUTES_PER_DAY = SECONDS_PER_DAY / SECONDS_PER_MINUTE


def checks_sections(report: MeterReport, *, units: UnitSystem) -> tuple[Section, ...]:
    """Return the checks as sections of text."""
    say = Amounts(units=units)
    sections = []
    if report.zero is not None:
        sections.append(Section(heading="Zero test: everything closed", lines=_zero(report.zero, say)))
    for factor in (report.register, report.bucket):
        if factor is not None:
            heading = f"{factor.source.capitalize()} test"
            sections.append(Section(heading=heading, lines=_factor(factor, say)))
    sections.append(Section(heading="Smallest leak that shows", lines=_visible(report, say)))
    sections.append(cautions_section("sprinklers", "heater", "valve", "meter", "pit", "hot water"))
    return tuple(sections)


def _zero(test: ZeroTest, say: Amounts) -> tuple[str, ...]:
    read = f"{say.volume(test.volume_l)} in {test.minutes:.0f} min ({test.n_pulses:.0f} pulses)"
    flow = f"steady flow {say.flow(test.rate_lpm)} ({say.bounds(test.low_lpm, test.high_lpm)})"
    return (*wrapped(f"{test.verdict}: {test.reason}"), *wrapped(read), *wrapped(flow))


def _factor(factor: Factor, say: Amounts) -> tuple[str, ...]:
    volumes = f"{say.volume(factor.known_l)} known, {say.volume(factor.recorded_l)} recorded"
    times = f"true volume = {factor.factor:.4f} x recorded (between {factor.low:.4f} and {factor.high:.4f})"
    lines = [*wrapped(f"{factor.verdict}: {factor.reason}"), *wrapped(volumes), *wrapped(times)]
    if factor.steady_lpm > 0:
        option = f"--background {plain(say.number(factor.steady_lpm))}{'gpm' if say.units == 'us' else 'lpm'}"
        lines += wrapped(f"steady flow around it: {say.flow(factor.steady_lpm)}; {option} takes it off")
    return tuple(lines)


def _visible(report: MeterReport, say: Amounts) -> tuple[str, ...]:
    lines = []
    for v in report.visible:
        per_day = plain(say.number(v.rate_lpm * MINUTES_PER_DAY))
        lines.append(f"  in {lasting(v.duration_s):<12}{say.flow(v.rate_lpm)}, {per_day} {say.unit} a day")
    if report.starting_lpm > 0:
        lines += wrapped(f"and none below the meter's starting flow of {say.flow(report.starting_lpm)}")
    else:
        lines += wrapped("and none below the meter's own starting flow, which is not given")
    notes = [f"{size}: {say.flow(rate)}" for size, rate in report.test_flows_lpm.items()]
    text = f"Smallest flows at which new displacement meters are tested ({report.test_flow_source}): "
    return (*lines, *wrapped(text + ", ".join(notes)), *bullets(["A worn meter may miss flows well above these."]))
