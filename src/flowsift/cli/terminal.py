"""Talking to the person at the terminal, or to the program at the other end of the pipe."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from io import TextIOWrapper

import typer
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn
from rich.text import Text

from flowsift.report.sections import Section

SOME_FAILED = 3
"""Exit status when some homes of many have no answer."""

PIPE_CLOSED = 141
"""Exit status when the reader of our output has gone (128 + SIGPIPE), as the shell gives it."""


def write_any_text() -> None:
    """Let standard output and standard error take what their encoding lacks, such as a column's name, as escapes."""
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="backslashreplace")


def show(text: str) -> None:
    """Write text to standard output as it is; end quietly if nobody reads it, or it is closed."""
    if sys.stdout is None:
        raise typer.Exit(PIPE_CLOSED)
    try:
        sys.stdout.write(text)
        sys.stdout.flush()
    except BrokenPipeError:
        # The interpreter flushes standard output once more at its end: give it somewhere to go.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        raise typer.Exit(PIPE_CLOSED) from None


def show_sections(sections: Sequence[Section]) -> None:
    """Write sections of text, headings in bold where the terminal has it."""
    console = Console(width=None, highlight=False, soft_wrap=True)
    if not console.is_terminal or console.no_color:
        show("\n\n".join("\n".join([section.heading, *section.lines]) for section in sections) + "\n")
        return
    for number, section in enumerate(sections):
        console.print(Text(("\n" if number else "") + section.heading, style="bold"))
        for line in section.lines:
            console.print(Text(line))


@contextmanager
def working(what: str) -> Iterator[None]:
    """Show on a terminal's standard error that work goes on, and what."""
    console = Console(stderr=True)
    if not console.is_terminal:
        yield
        return
    with console.status(what):
        yield


def complain(problem: str) -> None:
    """Write one line to standard error."""
    line = " ".join(f"flowsift: {problem}".split())
    # names of files and columns may hold what a terminal takes for a command
    line = "".join(c if c.isprintable() else "?" for c in line)
    if sys.stderr is None:
        return
    try:
        sys.stderr.write(line + "\n")
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stderr.fileno())


def counting() -> Progress:
    """Return a bar that counts what is done, on standard error, shown only to a person at a terminal."""
    console = Console(stderr=True)
    return Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        MofNCompleteColumn(),
        TimeElapsedColumn(),
        console=console,
        disable=not console.is_terminal,
    )
