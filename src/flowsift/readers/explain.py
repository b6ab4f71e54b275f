"""Which row of a text file is broken, for the message of an error."""

from __future__ import annotations

import csv
from collections.abc import Iterator

from flowsift.errors import InputError, quoted
from flowsift.readers.columns import Chosen
from flowsift.readers.layout import TextLayout, is_number
from flowsift.readers.sources import Source
from flowsift.readers.table import NULLS
from flowsift.readers.time_layouts import looks_like_time


def numbered_rows(source: Source, layout: TextLayout) -> Iterator[tuple[int, list[str]]]:
    """Yield the rows of data with their first lines in the file (1 = first)."""
    lines = source.lines()
    numbers: list[int] = []

    def counted() -> Iterator[str]:
        for number, line in enumerate(lines, start=1):
            if number > layout.first_line:
                numbers.append(number)
                yield line

    try:
        for row in csv.reader(counted(), delimiter=layout.delimiter):
            if row:
                yield numbers[0], row
            numbers.clear()
    except csv.Error as error:
        raise InputError(f"can't be read as CSV ({error}; is a quote left open?)", file=source.name) from error


def line_of_row(source: Source, layout: TextLayout, row: int) -> int:
    """Return the line in the file (1 = first) of a row of data (0 = first)."""
    for i, (number, _) in enumerate(numbered_rows(source, layout)):
        if i == row:
            return number
    return layout.first_line + row + 1


def broken_row(source: Source, layout: TextLayout, chosen: Chosen, problem: str) -> InputError:
    """Return the error that names the first broken row."""
    n = len(layout.names)
    is_numeric_time = all(is_number(row[chosen.time[0]]) for row in layout.sample[:5] if chosen.time[0] < len(row))
    for number, row in numbered_rows(source, layout):
        open_quote = " (is a quote left open?)" if any("\n" in field for field in row) else ""
        if len(row) != n:
            return InputError(f"found {len(row)} fields, expected {n}{open_quote}", file=source.name, row=number)
        if chosen.value is not None:
            field = row[chosen.value].strip(" \t")
            if field not in NULLS and not _is_value(field, layout.decimal):
                return InputError(
                    f"found {quoted(field)}, expected a number{open_quote or _number_hint(field, layout.decimal)}",
                    file=source.name,
                    row=number,
                    column=layout.names[chosen.value],
                )
        for i in chosen.time:
            field = row[i].strip()
            if not (is_number(field) if is_numeric_time else looks_like_time(field)):
                return InputError(
                    f"found {quoted(field)}, expected a time{open_quote}",
                    file=source.name,
                    row=number,
                    column=layout.names[i],
                )
    return InputError(f"can't be read as CSV ({problem})", file=source.name)


def _number_hint(field: str, decimal: str) -> str:
    if "," in field and "." in field:
        return " without thousands marks"
    if "," in field and decimal != ",":
        return " (is its comma a decimal one: --decimal ,)"
    return "" if field.isascii() else " in ASCII characters"


def _is_value(field: str, decimal: str) -> bool:
    other = "," if decimal == "." else "."
    if other in field or not field.isascii():
        return False
    try:
        float(field.replace(decimal, "."))
    except ValueError:
        return False
    return "_" not in field
