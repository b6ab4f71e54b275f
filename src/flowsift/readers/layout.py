"""How a text file is laid out: delimiter, header, decimal sign."""

from __future__ import annotations

import csv
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice

from flowsift.errors import InputError, OptionError
from flowsift.readers.sources import Source
from flowsift.readers.time_layouts import looks_like_time

DELIMITERS = ("\t", ";", "|", ",")
"""Delimiters known, in order of preference: a comma may also be a decimal sign."""

SAMPLE_LINES = 400
"""Lines looked at to find the layout."""

SAMPLE_CHARACTERS = 1 << 20
"""Characters in them at most."""

LONGEST_NAME = 200
"""Characters of a column's name that are kept: each error about the column repeats them."""

_NO_DELIMITERS = '\0\r\n"'
"""What ends a line, encloses a field or is no text."""

_NO_ROW_STARTS = ("#", "sep=")
"""How lines above the header start that are a comment, or tell a spreadsheet the delimiter."""

_NUMBER = re.compile(r"^\s*[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?\s*$", re.ASCII)
_COMMA_NUMBER = re.compile(r"^\s*[+-]?\d*,\d+([eE][+-]?\d+)?\s*$", re.ASCII)
_THOUSANDS = re.compile(r"^\s*[+-]?[1-9]\d{0,2}(,\d{3})+\s*$", re.ASCII)


@dataclass(frozen=True, kw_only=True)
class TextLayout:
    """Layout of a CSV file.

    Attributes
    ----------
    delimiter : str
        One character; a tab where the file has a single column.
    decimal : str
        ``"."`` or ``","``.
    names : tuple of str
        Names of the columns; ``"1"``, ``"2"``, ... where there is no header.
    skip : int
        Lines before the header or the first row (titles, comments, blank lines).
    header_lines : int
        Lines of the header: none, one, or more where a quoted name has a line end in it.
    n_titles : int
        Titles among them: lines of another number of fields than the header under them, or parted from it by a blank
        line.
    sample : list of list of str
        Fields of the first rows.
    """

    delimiter: str
    decimal: str
    names: tuple[str, ...]
    skip: int
    header_lines: int
    n_titles: int
    sample: list[list[str]]

    @property
    def first_line(self) -> int:
        """Lines before the first row of data."""
        return self.skip + self.header_lines

    @property
    def has_header(self) -> bool:
        """Whether the names come from the file."""
        return self.header_lines > 0


def printable(name: str) -> str:
    """Return a name in one line of bounded length, without what a terminal would take for a command."""
    line = " ".join("".join(c for c in word if c.isprintable()) for word in name.split())
    return line if len(line) <= LONGEST_NAME else line[:LONGEST_NAME] + "..."


def is_number(field: str) -> bool:
    """Tell whether a field is a number with either decimal sign."""
    return _NUMBER.match(field) is not None


def find_layout(source: Source, *, delimiter: str | None, decimal: str | None) -> TextLayout:
    """Find the layout of a text file from its first lines.

    Raises
    ------
    InputError
        No rows under the header, or a decimal sign that can't be told from a thousands mark.
    OptionError
        A `delimiter` or `decimal` that can't be one.
    """
    check_marks(delimiter, decimal)
    lines = list(_sampled(source.lines()))
    skip = 0
    while skip < len(lines) and (not lines[skip].strip() or lines[skip].lstrip().startswith(_NO_ROW_STARTS)):
        skip += 1
    body = [line for line in lines[skip:] if line.strip()]
    if not body:
        raise InputError("the file is empty: found no rows", file=source.name)
    try:
        delimiter = delimiter or _delimiter(body)
        begin = _below_blank(lines, skip, delimiter)
        n_above = sum(bool(line.strip()) for line in lines[skip:begin])
        skip, body = begin, body[n_above:]
        rows = [[field.strip() for field in row] for row in csv.reader(body, delimiter=delimiter)]
    except (csv.Error, ValueError, TypeError) as error:
        raise InputError(f"can't be read as CSV ({error}; is a quote left open?)", file=source.name) from error
    n_titles = _titles(rows)
    for _ in range(n_titles):
        skip = _next_text(lines, skip + 1)
    rows = rows[n_titles:]
    first = rows[0]
    has_header = _is_header(first)
    sample = rows[1:] if has_header else rows
    if not sample:
        raise InputError("found a header and no rows", file=source.name)
    names = tuple(printable(name) for name in first) if has_header else tuple(str(i + 1) for i in range(len(first)))
    return TextLayout(
        delimiter=delimiter,
        decimal=decimal or _decimal(sample, source.name),
        names=names,
        skip=skip,
        header_lines=_first_row_lines(lines[skip:], delimiter) if has_header else 0,
        n_titles=n_above + n_titles,
        sample=sample,
    )


def check_marks(delimiter: str | None, decimal: str | None) -> None:
    """Raise `OptionError` for a delimiter or a decimal sign that can't be one."""
    if delimiter is not None and not (len(delimiter) == 1 and delimiter.isascii() and delimiter not in _NO_DELIMITERS):
        raise OptionError(f"delimiter is {delimiter!r}, expected one ASCII character between the fields of a line")
    if decimal not in (None, ".", ","):
        raise OptionError(f"decimal is {decimal!r}, expected '.' or ','")


def _first_row_lines(lines: list[str], delimiter: str) -> int:
    reader = csv.reader(lines, delimiter=delimiter)
    next(reader)
    return reader.line_num


def _is_header(row: list[str]) -> bool:
    return not any(is_number(field) or looks_like_time(field) for field in row)


def _titles(rows: list[list[str]]) -> int:
    """Count the rows above a header that aren't of the table: they have another number of fields than it."""
    widths = [len(row) for row in rows]
    usual = max(set(widths), key=widths.count)
    first = widths.index(usual)
    return first if usual > 1 and _is_header(rows[first]) else 0


def _below_blank(lines: list[str], at: int, delimiter: str) -> int:
    """Return the first line that no blank one parts from the rows: above such a blank line stand titles."""
    begin = at
    for k in range(at, len(lines)):
        if not lines[k].strip():
            continue
        row = next(csv.reader([lines[k]], delimiter=delimiter))
        if lines[k].count('"') % 2 or not _is_header([field.strip() for field in row]):
            break
        if k > at and not lines[k - 1].strip():
            begin = k
    return begin


def _next_text(lines: list[str], at: int) -> int:
    while not lines[at].strip():
        at += 1
    return at


def _sampled(lines: Iterable[str]) -> Iterator[str]:
    taken = 0
    for line in islice(lines, SAMPLE_LINES):
        yield line
        taken += len(line)
        if taken > SAMPLE_CHARACTERS:
            return


def _delimiter(body: list[str]) -> str:
    best, best_share = "\t", 0.0
    for candidate in DELIMITERS:
        counts = [len(row) for row in csv.reader(body, delimiter=candidate)]
        usual = max(set(counts), key=counts.count)
        share = counts.count(usual) / len(counts)
        if usual > 1 and share > best_share + 0.2:
            best, best_share = candidate, share
    return best


def _decimal(sample: Iterable[list[str]], name: str) -> str:
    fields = [field for row in sample for field in row]
    comma = [field for field in fields if _COMMA_NUMBER.match(field) or _THOUSANDS.match(field)]
    point = sum(is_number(field) and "." in field for field in fields)
    if len(comma) <= point:
        return "."
    if all(_THOUSANDS.match(field) for field in comma):
        raise InputError(
            f"found {comma[0]!r}, in which the comma may be a decimal sign or a thousands mark: pass --decimal "
            "(read_trace(decimal=...)), '.' or ','",
            file=name,
        )
    return ","
