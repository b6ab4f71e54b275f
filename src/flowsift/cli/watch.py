"""The command ``watch``: a home's samples in line by line, events and alerts out as lines of JSON.

What makes it exact: the state file holds how many bytes were read and written when it was saved, and it is saved after
the output. A run that takes it up cuts the output back to that length, reads on from that place, and so writes each
line once, whatever stopped the run before. A reader of standard output has the notices' numbers for the same purpose.
"""

from __future__ import annotations

import json
import os
import signal
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType
from typing import Annotated, Any, TypeVar

import typer

from flowsift.cli.options import Units
from flowsift.cli.terminal import complain, show
from flowsift.cli.watch_lines import Feed, read_rows
from flowsift.errors import InputError, OptionError
from flowsift.files import check_folder, replace_file
from flowsift.readers.unit_names import PULSES, unit_in_name, unit_option
from flowsift.stream import LearnedHome, Notice, Sifter, home_from_json
from flowsift.stream.sifter import LATE_S
from flowsift.stream.strict_json import read_fields, written
from flowsift.stream.uses import LABEL_WAIT_S
from flowsift.units import SECONDS_PER_MINUTE, UnitSystem, system_of

KIND = "flowsift watch state"
VERSION = 1

SAVE_EVERY_S = 10.0
"""Time between two savings of the state [s of the clock on the wall]."""

READABLE_WITHIN = 100
"""If none of so many first lines is a row, it is no feed."""

Kept = TypeVar("Kept")


def register(app: typer.Typer) -> None:
    """Add ``watch`` to the command line."""
    app.command("watch")(watch_command)


def watch_command(
    home: Annotated[Path, typer.Option(help="The learned home (flowsift learn).", metavar="PATH")],
    file: Annotated[
        Path | None,
        typer.Argument(help="File to read lines of time,value from; standard input if none is given.", metavar="FILE"),
    ] = None,
    follow: Annotated[bool, typer.Option("--follow", "-f", help="Wait for more at the end of the file.")] = False,
    state: Annotated[
        Path | None, typer.Option(help="Keep the state here; taken up where it exists.", metavar="PATH")
    ] = None,
    output: Annotated[
        Path | None,
        typer.Option("--out", "--output", "-o", help="Append the lines of JSON to this file.", metavar="PATH"),
    ] = None,
    unit: Annotated[
        str | None,
        typer.Option(
            help="Unit of the values: a volume, a flow, or pulses [default: as in the record].", metavar="UNIT"
        ),
    ] = None,
    units: Annotated[Units | None, typer.Option(help="Units of the answer [default: those of the record].")] = None,
    late: Annotated[
        float, typer.Option(min=0.0, help="Seconds that late rows are waited for.", metavar="SECONDS")
    ] = LATE_S,
    wait: Annotated[
        float, typer.Option(min=0.0, help="Seconds that a label waits for what follows.", metavar="SECONDS")
    ] = LABEL_WAIT_S,
    absent: Annotated[
        str, typer.Option(help="What an interval without a row means: missing or zero.", metavar="WORD")
    ] = "missing",
    save_every: Annotated[
        float, typer.Option(min=0.0, help="Seconds between two savings of the state.", metavar="SECONDS")
    ] = SAVE_EVERY_S,
    finish: Annotated[
        bool, typer.Option("--finish", help="Settle everything at the end of the input, and save that.")
    ] = False,
) -> None:
    """Watch a home live: rows in as they come, one line of JSON for each settled event and alert.

    Times are ISO 8601 (UTC unless they say otherwise) or seconds since 1970. Ctrl-C and SIGTERM end it with the state
    saved. Without --state, the end of the input settles everything. A state that is taken up keeps the --late, --wait
    and --absent that it began with.
    """
    for path, other in ((state, output), (output, state)):
        if path is not None:
            check_folder(path, home, other)
    known = _read(home, home_from_json)
    name = unit or known.row_unit
    if name is None:
        raise OptionError(f"{home}: its record doesn't tell the unit of a feed's values: pass --unit, such as L or gpm")
    litres = _litres_in(name, known)
    run = _read(state, lambda text: _resumed(text, known)) if state is not None and state.exists() else None
    if run is None:
        run = _Run(sifter=Sifter(known, late_s=late, wait_s=wait, absent=absent))
    with (
        closing(Feed(file, follow=follow, offset=run.offset, line=run.line)) as feed,
        closing(_Output(output, units.value if units else system_of(known.unit), run.written_bytes)) as out,
        _stopping() as stop,
    ):
        if state is not None:
            _save(state, run.sifter, feed, out)
        saved_at = time.monotonic()
        some, told = run.line > 0, run.sifter.faults
        while not stop.asked:
            first = feed.line + 1
            lines = feed.lines()
            if lines is None:
                break
            if lines:
                rows = read_rows(lines, first=first, litres=litres)
                _check_header(rows.value_name, name)
                some = _heard(rows.complaints, some or rows.ns.size > 0, feed.line)
                out.write(run.sifter.feed_ns(rows.ns, rows.volume_l))
                tell_faults(run.sifter.faults, told)
            if state is not None and time.monotonic() - saved_at >= save_every:
                _save(state, run.sifter, feed, out)
                saved_at = time.monotonic()
        if not stop.asked and (finish or state is None):
            out.write(run.sifter.finish())
            tell_faults(run.sifter.faults, told)
        if state is not None:
            _save(state, run.sifter, feed, out)


def _litres_in(unit: str, home: LearnedHome) -> float:
    """Return what a value of 1 stands for [L]."""
    if unit == PULSES:
        if not home.pulse_l > 0:
            raise OptionError(
                "the record shows no pulse, so that its volume isn't known: pass --unit, such as L or gpm"
            )
        return home.pulse_l
    found = unit_option(unit)
    return found.factor if found.minutes is None else found.factor * home.interval_s / SECONDS_PER_MINUTE


def _check_header(value_name: str, unit: str) -> None:
    """Raise `OptionError` if the name of the values says another unit than the one that they are read in."""
    named = unit_in_name(value_name)
    if named is not None and (unit == PULSES or named != unit_option(unit)):
        raise OptionError(
            f"line 1: found values named {value_name!r}, but they are read as {unit}: pass the right --unit"
        )


def tell_faults(faults: dict[str, int], told: dict[str, int]) -> None:
    """Tell of a kind of fault when it first appears, and again as its count grows tenfold."""
    for fault, n in faults.items():
        if n >= 10 * told.get(fault, 0):
            complain(f"{n:,} rows or intervals so far: {fault}")
            told[fault] = n


def _heard(complaints: list[str], some: bool, n_lines: int) -> bool:
    """Tell of lines that are no rows; an error where none of the first was one."""
    if complaints and not some and n_lines >= READABLE_WITHIN:
        raise InputError(f"none of {n_lines:,} lines is a row; the first: {complaints[0]}")
    for text in complaints:
        complain(f"{text}; left out")
    return some


@dataclass(frozen=True, kw_only=True)
class _Run:
    """A sifter and how far its input and output were."""

    sifter: Sifter
    offset: int = 0
    line: int = 0
    written_bytes: int | None = None


def _resumed(text: str, home: LearnedHome) -> _Run:
    found = read_fields(text, kind=KIND, version=VERSION)
    return _Run(
        sifter=Sifter.from_state(found.part("sifter"), home),
        offset=found.integer("input_bytes", least=0),
        line=found.integer("input_lines", least=0),
        written_bytes=found.integer("output_bytes", least=0),
    )


def _read(path: Path, parse: Callable[[str], Kept]) -> Kept:
    """Return what a file of text holds; every error names the file."""
    try:
        return parse(path.read_text(encoding="utf-8"))
    except UnicodeDecodeError as error:
        raise InputError("not text in UTF-8", file=str(path)) from error
    except InputError as error:
        raise InputError(error.problem, file=str(path)) from error


def _save(path: Path, sifter: Sifter, feed: Feed, out: _Output) -> None:
    """Save the state, after all of the output that it counts is on disk."""
    out.sync()
    text = written(
        {
            "kind": KIND,
            "version": VERSION,
            "input_bytes": feed.offset,
            "input_lines": feed.line,
            "output_bytes": out.n_bytes,
            "sifter": sifter.state(),
        }
    )

    def write(temporary: Path) -> None:
        with temporary.open("w", encoding="utf-8") as file:
            file.write(text + "\n")
            file.flush()
            os.fsync(file.fileno())

    replace_file(path, write)


class _Output:
    """Lines of JSON, to a file or to standard output.

    Parameters
    ----------
    path : Path or None
        None for standard output.
    units : {"si", "us"}
    n_bytes : int or None
        Length of the file when the state was saved; what came after is cut off, as it will be written again. None
        where no state was saved: lines are appended.
    """

    def __init__(self, path: Path | None, units: UnitSystem, n_bytes: int | None) -> None:
        self._units = units
        self._file: Any = None
        self.n_bytes = 0
        if path is None:
            return
        self._file = path.open("ab")
        size = self._file.seek(0, os.SEEK_END)
        if n_bytes is not None and size < n_bytes:
            self.close()
            raise OptionError(
                f"{path}: found {size:,} bytes, expected the {n_bytes:,} written before: was it replaced?"
            )
        if n_bytes is not None:
            self._file.truncate(n_bytes)
        self.n_bytes = size if n_bytes is None else n_bytes

    def write(self, notices: list[Notice]) -> None:
        """Write notices."""
        if not notices:
            return
        text = "".join(json.dumps(n.record(units=self._units), allow_nan=False) + "\n" for n in notices)
        if self._file is None:
            show(text)
            return
        data = text.encode()
        self._file.write(data)
        self._file.flush()
        self.n_bytes += len(data)

    def close(self) -> None:
        """Close the file."""
        if self._file is not None:
            self._file.close()

    def sync(self) -> None:
        """Wait until what was written is on disk."""
        if self._file is not None:
            os.fsync(self._file.fileno())
        else:
            sys.stdout.flush()


class _Stop:
    """Whether to stop."""

    asked = False

    def ask(self, number: int, frame: FrameType | None) -> None:  # noqa: ARG002  (what a handler is given)
        """Take a signal."""
        self.asked = True


@contextmanager
def _stopping() -> Iterator[_Stop]:
    """Turn Ctrl-C and SIGTERM into a wish to stop."""
    stop = _Stop()
    before = {number: signal.signal(number, stop.ask) for number in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield stop
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
