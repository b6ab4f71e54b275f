"""The study of flushes as a JSON-ready dict."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from flowsift.standards import Figure
from flowsift.study.flushes_classes import VolumeClass
from flowsift.study.flushes_study import FlushStudy
from flowsift.units import UnitSystem, us_column


def flushes_dict(study: FlushStudy, *, units: UnitSystem = "si") -> dict[str, Any]:
    """Return the study, but for its table of members, as nested dicts and lists that JSON can hold.

    Parameters
    ----------
    study : FlushStudy
    units : {"si", "us"}
        ``us`` gives gallons and gallons a minute; the names of the fields say which.
    """
    return {"units": units, **_fields(study, units)}


def _fields(record: Any, units: UnitSystem) -> dict[str, Any]:
    """Return the fields of a record by name, volumes in the units asked for."""
    plain: dict[str, Any] = {}
    for name in record.__dataclass_fields__:
        content = getattr(record, name)
        if isinstance(content, pd.DataFrame):
            continue
        new_name, litres = us_column(name) if units == "us" else (name, 1.0)
        plain[new_name] = _plain(content, units) if litres == 1.0 or content is None else _finite(content / litres)
    return plain


def _plain(content: Any, units: UnitSystem) -> Any:
    if isinstance(content, Figure):
        return {
            "key": content.key,
            "value": _finite(content.value),
            "unit": content.unit,
            "source": str(content.source),
        }
    if isinstance(content, VolumeClass):
        nominal, litres = us_column("nominal_l") if units == "us" else ("nominal_l", 1.0)
        return {"name": content.name, "era": content.era, nominal: content.nominal_l / litres}
    if isinstance(content, list | tuple):
        return [_plain(item, units) for item in content]
    if isinstance(content, pd.Timestamp):
        return content.isoformat()
    if hasattr(content, "__dataclass_fields__"):
        return _fields(content, units)
    return _finite(content) if isinstance(content, float) else content


def _finite(number: float) -> float | None:
    """Return the number, or None for what JSON can't hold."""
    return number if math.isfinite(number) else None
