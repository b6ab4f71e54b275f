"""The command ``isolate``: which branch leaks, told by closing one after another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Annotated

import typer

import flowsift as fs
from flowsift.cli.options import Reading, check_needed, parsed_flow_lpm, parsed_volume_l, spread_options
from flowsift.cli.study_output import Answer
from flowsift.cli.terminal import working
from flowsift.errors import OptionError
from flowsift.report.isolation_text import isolation_sections, plan_sections, proposal_sections
from flowsift.standards import METER_SIZES
from flowsift.study.isolation import Isolation, isolate
from flowsift.study.isolation_log import Step, read_steps, seconds_since_start
from flowsift.study.isolation_plan import StepPlan, plan_steps
from flowsift.study.isolation_times import aligned_steps, propose_times
from flowsift.study.steady_rate import step_l
from flowsift.units import SECONDS_PER_MINUTE

USUAL_SHIFT_MIN = 5.0
"""How far off written times may be [min]: clocks differ and notes are made late (assumption)."""


@dataclass(frozen=True, kw_only=True)
class Hunting:
    """The written steps, and what is known of the meter."""

    log: Annotated[
        Path | None,
        typer.Option(help="Written steps, CSV: time, action (close, open, start, end), branch.", metavar="PATH"),
    ] = None
    date: Annotated[str | None, typer.Option(help="Day of log times that are clock times only.", metavar="DATE")] = None
    shift: Annotated[
        float, typer.Option(min=0.0, help="Fit the log's times to the trace by up to so many minutes.", metavar="MIN")
    ] = USUAL_SHIFT_MIN
    propose: Annotated[
        tuple[str, str] | None,
        typer.Option(
            help="Instead of a log: list the times between these two at which the flow changes.", metavar="FROM TO"
        ),
    ] = None
    starting_flow: Annotated[
        str | None, typer.Option(help="Flow below which the meter reads nothing, such as 0.03gpm.", metavar="FLOW")
    ] = None


@dataclass(frozen=True, kw_only=True)
class Planning:
    """Options of the plan."""

    plan: Annotated[bool, typer.Option("--plan", help="Only say how long each step must last.")] = False
    rate: Annotated[
        str | None, typer.Option(help="With --plan: leak to be resolved, such as 0.05gpm.", metavar="FLOW")
    ] = None
    meter_size: Annotated[
        str | None, typer.Option(help=f"With --plan: size of the meter, {', '.join(METER_SIZES)}.", metavar="SIZE")
    ] = None

    def planned(self, trace: fs.Trace | None, reading: Reading) -> StepPlan:
        """Return the plan asked for (OptionError where something is missing)."""
        if self.rate is None:
            raise OptionError("--plan needs --rate, the leak to be resolved, such as 0.05gpm")
        if reading.pulse is not None:
            pulse_l = parsed_volume_l(reading.pulse)
        elif trace is not None:
            pulse_l = step_l(trace)
        else:
            raise OptionError("--plan needs --pulse, the volume of a pulse such as 0.1gal, or a file")
        return plan_steps(
            parsed_flow_lpm(self.rate, name="rate"),
            pulse_l=pulse_l,
            interval_s=trace.interval_s if trace is not None else reading.interval or 1.0,
            meter_size=self.meter_size,
        )


def register(app: typer.Typer) -> None:
    """Add ``isolate`` to the command line."""
    app.command("isolate")(spread_options(isolate_command))


def isolate_command(
    hunting: Hunting,
    planning: Planning,
    reading: Reading,
    answer: Answer,
    file: Annotated[
        Path | None, typer.Argument(help="Flow data of one meter; not needed with --plan.", metavar="FILE")
    ] = None,
) -> None:
    """Tell which branch leaks, from closing one after another, or plan such a test."""
    answer.check(file, hunting.log)
    check_needed("--plan", planning.plan, rate=planning.rate, meter_size=planning.meter_size)
    check_needed("--log or --propose", hunting.log or hunting.propose, date=hunting.date)
    check_needed("--log", hunting.log, table=answer.table)
    trace = None
    if file is not None:
        with working(f"reading {file.name}"):
            trace = reading.read(file)
    units = answer.system(trace, pulse=reading.pulse)
    if planning.plan:
        plan = planning.planned(trace, reading)
        answer.give(plan, None, plan_sections(plan, units=units), units=units)
    elif trace is None:
        raise OptionError("a file of flow data is needed (or --plan with --rate and --pulse)")
    elif hunting.propose is not None:
        start_s, end_s = (seconds_since_start(text, trace, date=hunting.date) for text in hunting.propose)
        with working("looking for changes"):
            found = propose_times(trace, start_s=start_s, end_s=end_s)
        sections = proposal_sections(found, trace, units=units)
        answer.give({"times": [vars(time) for time in found]}, None, sections, units=units)
    elif hunting.log is None:
        raise OptionError("give the written steps with --log, or two times with --propose, or --plan")
    else:
        _hunt(trace, hunting, hunting.log, answer)


def measured(
    trace: fs.Trace, written: Sequence[Step], *, shift_min: float = USUAL_SHIFT_MIN, starting_lpm: float = 0.0
) -> Isolation:
    """Fit the times of written steps to the trace and measure the leak behind each branch."""
    steps, moved = aligned_steps(trace, written, within_s=SECONDS_PER_MINUTE * shift_min)
    return replace(isolate(trace, steps, starting_lpm=starting_lpm), shift_s=moved)


def _hunt(trace: fs.Trace, hunting: Hunting, log: Path, answer: Answer) -> None:
    """Measure the written steps and print each branch's leak."""
    starting_lpm = parsed_flow_lpm(hunting.starting_flow, name="starting flow") if hunting.starting_flow else 0.0
    written = read_steps(log, trace, date=hunting.date)
    with working("measuring the steps"):
        result = measured(trace, written, shift_min=hunting.shift, starting_lpm=starting_lpm)
    units = answer.system(trace)
    sections = isolation_sections(result, trace, units=units)
    answer.give(result, result.table(), sections, units=units)
