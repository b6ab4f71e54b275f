"""Which column holds the times and which the values."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from flowsift.errors import InputError, OptionError
from flowsift.readers.layout import is_number
from flowsift.readers.time_layouts import has_clock, is_clock, looks_like_time
from flowsift.readers.unit_names import name_words, unit_in_name

TIME_WORDS = frozenset(
    {"time", "times", "timestamp", "datetime", "date", "t", "ts", "epoch", "unix", "when", "start", "day", "clock"}
)
"""Words that name a time."""

OTHER_WORDS = frozenset(
    {
        "temp", "temperature", "pressure", "psi", "bar", "battery", "voltage", "volts", "id", "serial", "rssi", "lat",
        "lon", "status", "quality", "seq", "sequence", "row", "flag", "error", "alarm", "signal", "humidity", "cost",
        "price", "end", "zone", "offset", "meter_id", "account", "index",
    }
)  # fmt: skip
"""Words that name something beside the water that passed."""

KIND_WORDS = {
    "register": frozenset(
        {"register", "reading", "readings", "read", "cumulative", "total", "totalizer", "totaliser", "counter", "cum",
         "odometer", "accumulated", "totalised", "totalized"}
    ),
    "counts": frozenset({"pulses", "pulse", "count", "counts"}),
    "volume": frozenset(
        {"volume", "vol", "consumption", "usage", "use", "used", "delta", "increment", "consumed"}
    ),
    "flow": frozenset({"flow", "rate", "flowrate", "discharge"}),
}  # fmt: skip
"""Words that name a kind of value, the stronger first: a "total flow" is a register."""


NAMES_LISTED = 20
"""Columns that a message names at most."""


@dataclass(frozen=True, kw_only=True)
class Chosen:
    """Columns chosen, by their positions.

    Attributes
    ----------
    time : tuple of int
        One column, or a date and a time of day.
    value : int or None
        None where there are only times (one row per pulse).
    ignored : tuple of str
        Names of the other columns.
    """

    time: tuple[int, ...]
    value: int | None
    ignored: tuple[str, ...]


def listed(names: Sequence[str]) -> str:
    """Return names as a list in a sentence, the first `NAMES_LISTED` of many."""
    more = f" and {len(names) - NAMES_LISTED:,} more" if len(names) > NAMES_LISTED else ""
    return ", ".join(names[:NAMES_LISTED]) + more


def kind_in_name(name: str) -> str | None:
    """Return the kind of value that a column's name tells, or None."""
    words = set(name_words(name))
    unit = unit_in_name(name)
    if unit is not None and unit.minutes is not None:
        return "flow"
    for kind, known in KIND_WORDS.items():
        if words & known:
            return kind
    return None


def choose_columns(
    names: Sequence[str],
    sample: Callable[[int], list[str]],
    *,
    named: bool,
    time_column: str | int | None,
    value_column: str | int | None,
    file: str,
) -> Chosen:
    """Choose columns by name, and by content where names don't tell.

    Parameters
    ----------
    names : sequence of str
    sample : callable
        Gives the first fields of a column as text.
    named : bool
        Whether the names come from the file (else they are numbers).
    time_column, value_column : str or int, optional
        Name, or number from 1.
    file : str
        Name of the file, for errors.

    Raises
    ------
    InputError
        No column of times, no column of values, or several that could be it.
    OptionError
        A column that isn't there.
    """
    fields = {i: [field for field in sample(i) if field.strip()] for i in range(len(names))}
    if time_column is not None:
        time: tuple[int, ...] = (_position(names, time_column, "time_column", file),)
    else:
        time = _time_columns(names, fields, named, file)
    if value_column is not None:
        value: int | None = _position(names, value_column, "value_column", file)
    else:
        value = _value_column(names, fields, set(time), file)
    if value in time:
        raise OptionError(f"{file}: column {names[value]!r} can't hold both the times and the values")
    used = {*time, value}
    return Chosen(time=time, value=value, ignored=tuple(name for i, name in enumerate(names) if i not in used))


def _position(names: Sequence[str], wanted: str | int, option: str, file: str) -> int:
    hits = [i for i, name in enumerate(names) if name == wanted]
    hits = hits or [i for i, name in enumerate(names) if name.lower() == str(wanted).lower()]
    if not hits and str(wanted).isdecimal() and 1 <= int(wanted) <= len(names):
        return int(wanted) - 1
    if len(hits) == 1:
        return hits[0]
    flag = "--" + option.replace("_", "-")
    trouble = "is there more than once" if hits else "isn't there"
    raise OptionError(f"{file}: column {wanted!r} ({flag}) {trouble}; columns: {listed(list(map(repr, names)))}")


def _time_columns(names: Sequence[str], fields: dict[int, list[str]], named: bool, file: str) -> tuple[int, ...]:
    def parses(i: int, test: Callable[[str], bool]) -> bool:
        return bool(fields[i]) and test(fields[i][0])

    dated = [i for i in fields if parses(i, lambda f: looks_like_time(f) and not is_clock(f))]
    clocks = [i for i in fields if parses(i, is_clock)]
    dates_only = [i for i in dated if not any(has_clock(field) for field in fields[i])]
    if dates_only and clocks and set(dated) == set(dates_only):
        return dates_only[0], clocks[0]
    by_name = [i for i, name in enumerate(names) if named and _words(name) & TIME_WORDS and "end" not in _words(name)]
    for candidates in (
        [i for i in by_name if i in dated],
        dated,
        [i for i in by_name if parses(i, is_number) and unit_in_name(names[i]) is None],
    ):
        if candidates:
            return (candidates[0],)
    if not named and parses(0, is_number):
        return (0,)
    if by_name:
        return (by_name[0],)
    raise InputError(
        f"found no column of times among {listed(list(map(repr, names)))}: pass --time-column "
        "(read_trace(time_column=...))",
        file=file,
    )


def _value_column(names: Sequence[str], fields: dict[int, list[str]], time: set[int], file: str) -> int | None:
    others = [i for i in fields if i not in time]
    if not others:
        return None
    values = [i for i in others if not _is_time_too(fields[i])]
    numeric = [i for i in values if any(is_number(field) for field in fields[i])]
    if not numeric:
        # text all over: where its name tells that it is the value, the error about it names the row
        numeric = [i for i in values if _tells(names[i])][:1]
        if not numeric:
            return None
    if len(numeric) == 1:
        return numeric[0]
    telling = [i for i in numeric if _tells(names[i])] or [i for i in numeric if not _words(names[i]) & OTHER_WORDS]
    for kind in ("volume", "counts", "register", "flow"):
        same = [i for i in telling if kind_in_name(names[i]) == kind]
        if same:
            telling = same
            break
    with_unit = [i for i in telling if unit_in_name(names[i]) is not None]
    telling = with_unit or telling
    if len(telling) == 1:
        return telling[0]
    possible = listed([repr(names[i]) for i in (telling or numeric)])
    raise InputError(
        f"several columns could hold the values ({possible}): pass --value-column (read_trace(value_column=...))",
        file=file,
    )


def _tells(name: str) -> bool:
    unit = unit_in_name(name)
    return (unit is not None or kind_in_name(name) is not None) and not _words(name) & OTHER_WORDS


def _is_time_too(fields: list[str]) -> bool:
    return bool(fields) and looks_like_time(fields[0]) and not is_number(fields[0])


def _words(name: str) -> set[str]:
    return set(name_words(name))
