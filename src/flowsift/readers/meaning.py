"""What the values of a column mean: kind and unit, from options, names and content."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from flowsift import quality
from flowsift.arrays import FloatArray, IntArray
from flowsift.errors import InputError, OptionError
from flowsift.ingest.falls import falls_seldom
from flowsift.ingest.spacing import prevailing_interval_ns
from flowsift.quality import Finding
from flowsift.readers.columns import kind_in_name
from flowsift.readers.unit_names import KNOWN_UNITS, MINUTES, PULSES, Unit, unit_in_name, unit_option

KINDS = ("volume", "flow", "register", "counts", "pulses")
"""Volume per interval, flow rate, cumulative reading, pulses per interval, one row per pulse."""

REGISTER_ROWS = 10
"""Rows needed before never falling values are taken for a register."""

REGISTER_RISES = 3
"""Rises needed beside that."""

SMALL_STEP = 0.01
"""Share of its lowest reading that a register usually changes by at most; a house's volumes or flows vary by more."""

REGULAR = 0.5
"""Rows with a spacing that fewer than this share have are events rather than intervals."""


@dataclass(frozen=True, kw_only=True)
class Meaning:
    """Kind of the values, and what turns them into litres or litres per minute.

    Attributes
    ----------
    kind : str
        One of `KINDS`.
    factor : float
        Litres (or litres per minute) in one of the values.
    unit : str
        Unit of volume, a key of `flowsift.units.L_PER_UNIT`.
    row_unit : str or None
        As in `flowsift.Trace`.
    pulse_l : float or None
        Volume of a pulse [L], where it is known.
    findings : tuple of Finding
    """

    kind: str
    factor: float
    unit: str
    row_unit: str | None
    pulse_l: float | None
    findings: tuple[Finding, ...]


def meaning_of(
    name: str,
    value: FloatArray | None,
    ns: IntArray,
    *,
    kind: str | None,
    unit: str | None,
    pulse_l: float | None,
    file: str,
) -> Meaning:
    """Tell what values mean.

    Parameters
    ----------
    name : str
        Name of the column.
    value : ndarray of float64, shape (n,), or None
        None where there are only times.
    ns : ndarray of int64, shape (n,)
        Times, in the order of the file.
    kind, unit, pulse_l : optional
        What the caller said.
    file : str
        Name of the file, for errors.

    Raises
    ------
    OptionError
        An unknown word, or a unit or pulse volume that nothing tells (the message names the option).
    """
    if kind is not None and kind not in KINDS:
        raise OptionError(f"unknown kind {kind!r}; known kinds: {', '.join(KINDS)}")
    given = None if unit is None else unit_option(unit)
    if value is None:
        if kind not in (None, "pulses"):
            raise InputError(f"found times only, which can't be a {kind}", file=file)
        return _pulses(None, given, pulse_l, stated=kind is not None, file=file)
    named = unit_in_name(name)
    said: list[Finding] = []
    found_unit = given or named
    if kind is None:
        kind, why = _kind(name, value, ns, found_unit)
        said.append(_assumed("kind", f'Column "{name}" was read as {_WORDS[kind]}: {why}.'))
    if kind == "pulses":
        return _pulses(value, found_unit, pulse_l, stated=not said, file=file)
    if kind == "counts":
        if pulse_l is None and found_unit is None:
            raise OptionError(
                f'{file}: column "{name}" counts pulses, and nothing tells the volume of one: pass --pulse, '
                "such as --pulse 10L (read_trace(pulse_l=...), in litres)"
            )
        if pulse_l is not None:
            if pulse_l == 0:
                raise OptionError(f'{file}: column "{name}" counts pulses of no volume: pass a --pulse above 0')
            return Meaning(
                kind="volume",
                factor=pulse_l,
                unit=given.volume if given else "L",
                row_unit=PULSES,
                pulse_l=pulse_l,
                findings=tuple(said),
            )
        kind = "volume"
    if found_unit is None:
        raise OptionError(
            f'{file}: the unit of column "{name}" is not known: pass --unit (read_trace(unit=...)); known units: '
            f"{', '.join(KNOWN_UNITS)}"
        )
    if kind == "flow" and found_unit.minutes is None:
        raise OptionError(
            f'{file}: column "{name}" is a flow, and the time in its unit is not known: pass --unit '
            f"(read_trace(unit=...)) such as {found_unit.volume}/min, or --kind volume (read_trace(kind='volume'))"
        )
    if kind != "flow" and found_unit.minutes is not None:
        raise OptionError(
            f'{file}: column "{name}" is read as {_WORDS[kind]}, but its unit is a rate: pass --kind flow '
            "(read_trace(kind='flow')) or another --unit"
        )
    if given is None:
        gallons = " (US gallons)" if found_unit.volume == "gal" else ""
        said.append(_assumed("unit", f'The unit {_spelled(found_unit)}{gallons} was read from the name "{name}".'))
    return Meaning(
        kind=kind,
        factor=found_unit.factor,
        unit=found_unit.volume,
        row_unit=None if kind == "register" else _spelled(found_unit),
        pulse_l=pulse_l,
        findings=tuple(said),
    )


_WORDS = {
    "volume": "the volume of each interval",
    "flow": "the flow in each interval",
    "register": "a cumulative register",
    "counts": "the pulses in each interval",
    "pulses": "one row per pulse",
}


def _assumed(what: str, text: str) -> Finding:
    return Finding(kind="assumption", what=what, treatment=text)


def _spelled(unit: Unit) -> str:
    if unit.minutes is None:
        return unit.volume
    minutes = unit.minutes
    words = {"s": MINUTES["s"], "min": MINUTES["min"], "h": MINUTES["h"], "d": MINUTES["d"]}
    return f"{unit.volume}/{min(words, key=lambda word: abs(words[word] - minutes))}"


def _kind(name: str, value: FloatArray, ns: IntArray, unit: Unit | None) -> tuple[str, str]:
    by_name = kind_in_name(name)
    if unit is not None and unit.minutes is not None:
        return "flow", "its unit is a rate"
    if by_name == "register" and _mostly_rises(value * (unit.factor if unit is not None else 1.0), ns):
        return "register", "its name says so and it rises"
    if by_name == "register" and _barely_changes(value, ns):
        return "register", "its name says so and it changes by little of itself"
    if _only_rises(value, ns):
        return "register", "its values are large and never fall"
    if by_name not in ("flow", "register") and _one_event_a_row(value, ns):
        return "pulses", "its value is the same in every row and the times are irregular"
    if by_name not in (None, "register"):
        return by_name, "its name says so"
    return "volume", "nothing says otherwise, and its values fall as well as rise"


def _by_time(value: FloatArray, ns: IntArray) -> FloatArray:
    """Return the values that rows have, in the order of their times."""
    present = ~np.isnan(value)
    return value[present][np.argsort(ns[present], kind="stable")]


def _only_rises(value: FloatArray, ns: IntArray) -> bool:
    # As written too: where a clock is set back an hour, two hours of readings are mixed by their times.
    return any(_rises(v) for v in (_by_time(value, ns), value[~np.isnan(value)]))


def _rises(v: FloatArray) -> bool:
    if v.size < REGISTER_ROWS:
        return False
    step = np.diff(v)
    rises = int((step > 0).sum())
    # a counter may restart a few times; the flow of a house falls as often as it rises
    return rises >= REGISTER_RISES and int((step < 0).sum()) <= rises // 100 and float(v.max()) > 2 * float(step.max())


def _mostly_rises(value_l: FloatArray, ns: IntArray) -> bool:
    return falls_seldom(np.diff(_by_time(value_l, ns)))


def _barely_changes(value: FloatArray, ns: IntArray) -> bool:
    """Tell whether values change as a register's do, be it backwards or with faults: the flow of a house stops."""
    v = _by_time(value, ns)
    step = np.abs(np.diff(v))
    moved = step[step > 0]
    return moved.size >= REGISTER_RISES and float(np.median(moved)) <= SMALL_STEP * float(v.min())


def _one_event_a_row(value: FloatArray, ns: IntArray) -> bool:
    if value.size < 3 or not value[0] > 0 or not bool((value == value[0]).all()):
        return False
    step = np.diff(np.sort(ns))
    if not step.max() > 0:
        return False
    usual = prevailing_interval_ns(np.sort(ns))
    return bool((np.abs(step - usual) <= 0.1 * usual).mean() < REGULAR)


def _pulses(value: FloatArray | None, unit: Unit | None, pulse_l: float | None, *, stated: bool, file: str) -> Meaning:
    volume = unit.volume if unit is not None else "L"
    if pulse_l is None and value is not None and unit is not None and value.size and bool((value == value[0]).all()):
        pulse_l = float(value[0]) * unit.factor
    if pulse_l is None:
        raise OptionError(
            f"{file}: each row is one pulse, and nothing tells the volume of one: pass --pulse, such as "
            "--pulse 10L (read_trace(pulse_l=...), in litres)"
        )
    said = quality.volume(pulse_l)
    taken = quality.finding_of("Each row was read as one pulse of {}.", said, kind="assumption", what="kind")
    return Meaning(
        kind="pulses",
        factor=1.0,
        unit=volume,
        row_unit=None,
        pulse_l=pulse_l,
        findings=() if stated else (taken,),
    )
