"""The command line: its commands, and how every run of it ends."""

from __future__ import annotations

import sys
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Annotated

import typer

import flowsift as fs
from flowsift.cli import (
    account,
    alerts,
    budget,
    checks,
    compare,
    fleet,
    flushes,
    isolate,
    leaks,
    learn,
    plot,
    rank,
    report,
    score,
    simulate,
    watch,
)
from flowsift.cli.examples import epilog_of
from flowsift.cli.terminal import complain, show, write_any_text

BAD_INPUT, INTERNAL_ERROR, INTERRUPTED = 2, 1, 130
"""Exit statuses beside 0: the file or an option can't be used; a fault of flowsift; stopped by Ctrl-C."""


@dataclass
class Run:
    """What the options before the command ask for."""

    verbose: bool = False


app = typer.Typer(
    name="flowsift",
    no_args_is_help=True,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def _show_version(wanted: bool) -> None:
    if wanted:
        show(f"flowsift {fs.__version__}\n")
        raise typer.Exit


@app.callback()
def options(
    context: typer.Context,
    verbose: Annotated[bool, typer.Option("--verbose", "-v", help="Show where in the code an error arose.")] = False,
    version: Annotated[  # noqa: ARG001  (acts in its callback)
        bool, typer.Option("--version", callback=_show_version, is_eager=True, help="Show the version and stop.")
    ] = False,
) -> None:
    """Tell which fixture used what from one water meter's flow trace.

    Begin with: flowsift demo, then flowsift account meter.csv. Every command has examples: flowsift COMMAND --help.
    """
    context.obj.verbose = verbose


for command in (
    account,
    report,
    plot,
    flushes,
    leaks,
    isolate,
    checks,
    compare,
    alerts,
    budget,
    simulate,
    score,
    rank,
    fleet,
    learn,
    watch,
):
    command.register(app)

for registered in app.registered_commands:
    # A command is named when it is registered, or by its function.
    registered.epilog = epilog_of(str(registered.name or getattr(registered.callback, "__name__", "")))


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and exit: 0 answered, 2 bad input or option, 1 internal error, 130 stopped."""
    run = Run()
    write_any_text()
    try:
        status = typer.main.get_command(app).main(
            args=None if arguments is None else list(arguments), prog_name="flowsift", standalone_mode=False, obj=run
        )
    except Exception as error:
        sys.exit(_end(error, verbose=run.verbose))
    except KeyboardInterrupt:
        sys.exit(INTERRUPTED)
    sys.exit(status if isinstance(status, int) else 0)


def _end(error: Exception, *, verbose: bool) -> int:
    """Say in one line what went wrong and return the exit status."""
    if isinstance(error, typer.Abort):
        return INTERRUPTED
    if verbose:
        traceback.print_exception(error)
    if isinstance(error, fs.FlowsiftError):
        complain(str(error))
        return BAD_INPUT
    if hasattr(error, "format_message"):  # a usage error of the command line library
        # Not ours: some versions put the name of their own validator's exception before what is wrong.
        problem = error.format_message().replace(": Value error, ", ": ")
        complain(f"{problem} (flowsift --help lists commands and options)")
        return BAD_INPUT
    if isinstance(error, OSError) and error.strerror:
        complain(f"{error.filename}: {error.strerror}" if error.filename else error.strerror)
        return BAD_INPUT
    hint = "" if verbose else " (flowsift -v, before the command, shows where)"
    complain(f"internal error: {type(error).__name__}: {error}{hint}")
    return INTERNAL_ERROR
