"""The library's own exceptions: bad input, bad option, not enough data."""

from __future__ import annotations

LONGEST_QUOTE = 80
"""Characters of a field that an error repeats."""


def quoted(field: str) -> str:
    """Return a field of the input as an error shows it: in quotes, cut where it is long."""
    return repr(field) if len(field) <= LONGEST_QUOTE else repr(field[:LONGEST_QUOTE]) + "..."


class FlowsiftError(Exception):
    """Base of every error that flowsift raises on purpose.

    Examples
    --------
    >>> import flowsift as fs
    >>> try:
    ...     fs.read_trace("no-such-file.csv")
    ... except fs.FlowsiftError as error:
    ...     print(error)
    no-such-file.csv: ...
    """


class OptionError(FlowsiftError, ValueError):
    """An option has a value that can't be used, or one is needed and wasn't given.

    Examples
    --------
    >>> import flowsift as fs
    >>> fs.Trace.from_volumes([0.0, 60.0], [0.0, 6.0], timezone="Moon/Tycho")
    Traceback (most recent call last):
    flowsift.errors.OptionError: unknown time zone 'Moon/Tycho', ...
    """


class NotEnoughDataError(FlowsiftError, ValueError):
    """The trace is sound but too short or too coarse for what was asked.

    Examples
    --------
    >>> import flowsift as fs
    >>> fs.study.alert_levels(fs.disaggregate(fs.Trace.from_volumes([0.0, 60.0], [0.0, 6.0])))
    Traceback (most recent call last):
    flowsift.errors.NotEnoughDataError: ...
    """


class InputError(FlowsiftError, ValueError):
    """The input can't be read as a flow trace.

    Parameters
    ----------
    problem : str
        What was found and what was expected, in one line.
    file : str, optional
        Name of the file, where there is one.
    row : int, optional
        Row of the file (1 = first line), or position in the array (0 = first) where there is no file.
    column : str, optional
        Name or number of the column.

    Examples
    --------
    >>> import flowsift as fs
    >>> fs.Trace.from_volumes([0.0, 60.0], [0.0, "lots"])
    Traceback (most recent call last):
    flowsift.errors.InputError: row 1, column "volume_l": found 'lots', expected a number
    """

    def __init__(
        self, problem: str, *, file: str | None = None, row: int | None = None, column: str | None = None
    ) -> None:
        self.problem = problem
        self.file = file
        self.row = row
        self.column = column
        super().__init__(problem)

    def __str__(self) -> str:
        """Return ``file, row, column: problem`` with the parts that are known."""
        where = [self.file] if self.file is not None else []
        if self.row is not None:
            where.append(f"row {self.row}")
        if self.column is not None:
            where.append(f'column "{self.column}"')
        return f"{', '.join(where)}: {self.problem}" if where else self.problem

    def __reduce__(self) -> tuple[object, ...]:
        """Keep the fields when the error crosses a process boundary."""
        return (_rebuild_input_error, (self.problem, self.file, self.row, self.column))


def _rebuild_input_error(problem: str, file: str | None, row: int | None, column: str | None) -> InputError:
    return InputError(problem, file=file, row=row, column=column)
