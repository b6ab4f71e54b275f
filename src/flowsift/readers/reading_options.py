"""Options of reading that hold for many files, checked before the first."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from typing import Any

from flowsift.errors import OptionError
from flowsift.ingest.options import checked_absent, checked_interval_ns, checked_zone, given_pulse_l
from flowsift.readers.layout import check_marks
from flowsift.readers.read import KINDS, read_trace
from flowsift.readers.unit_names import unit_option

ReadingOptions = Mapping[str, str | float | bool]
"""Options of `flowsift.read_trace`, the same for every home."""


def checked_reading(options: Mapping[str, Any]) -> ReadingOptions:
    """Return the options that are given, after a check that spares every home the same error.

    Raises
    ------
    OptionError
        An option that `read_trace` doesn't have, or a value that is wrong for any file.
    """
    known = [name for name in inspect.signature(read_trace).parameters if name != "path"]
    for name in options:
        if name not in known:
            raise OptionError(f"unknown option {name!r} of reading; known: {', '.join(known)}")
    given = {name: value for name, value in options.items() if value is not None}
    if given.get("kind", KINDS[0]) not in KINDS:
        raise OptionError(f"unknown kind {given['kind']!r}; known kinds: {', '.join(KINDS)}")
    checks: dict[str, Callable[[Any], object]] = {
        "unit": unit_option,
        "timezone": checked_zone,
        "absent": checked_absent,
        "pulse_l": given_pulse_l,
        "interval_s": checked_interval_ns,
    }
    for name, check in checks.items():
        if name in given:
            check(given[name])
    check_marks(given.get("delimiter"), given.get("decimal"))
    return given
