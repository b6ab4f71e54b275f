"""Results as nested dicts and lists that JSON can hold, in litres or gallons."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
import pandas as pd

from flowsift.quality import Finding
from flowsift.standards import Figure
from flowsift.units import UnitSystem, us_column


def json_dict(record: Any, *, units: UnitSystem = "si") -> dict[str, Any]:
    """Return the unit system, then the fields of a result by name; tables in it are left out.

    Parameters
    ----------
    record : dataclass or mapping
    units : {"si", "us"}
        ``us`` gives gallons and renames the fields to match. Numbers that are not finite become None.
    """
    return {"units": units, **_record(record, units, 1.0)}


def _record(record: Any, units: UnitSystem, litres: float) -> dict[str, Any]:
    """Return the fields of a record; those whose names say no unit have one of `litres`."""
    plain: dict[str, Any] = {}
    for name, content in _fields(record, units).items():
        if not isinstance(content, pd.DataFrame):
            new_name, own = us_column(name) if units == "us" else (name, 1.0)
            plain[new_name] = _plain(content, units, litres if new_name == name else own)
    return plain


def _fields(record: Any, units: UnitSystem) -> dict[str, Any]:
    if isinstance(record, Mapping):
        return {str(name): content for name, content in record.items()}
    if isinstance(record, Figure):
        return {"key": record.key, "value": record.value, "unit": record.unit, "source": str(record.source)}
    content = {field.name: getattr(record, field.name) for field in fields(record)}
    if isinstance(record, Finding):
        first = content.pop("first_ns")
        content.pop("treatment_us")
        content["treatment"] = record.said(units)
        content["first"] = None if first is None else pd.Timestamp(first, unit="ns", tz="UTC")
    return content


def _plain(content: Any, units: UnitSystem, litres: float) -> Any:
    if isinstance(content, Mapping) or is_dataclass(content):
        return _record(content, units, litres)
    if isinstance(content, pd.Timestamp):
        return content.isoformat()
    if isinstance(content, set | frozenset):
        content = sorted(content)
    if isinstance(content, list | tuple):
        return [_plain(item, units, litres) for item in content]
    if isinstance(content, np.generic):
        content = content.item()
    if isinstance(content, float):
        return content / litres if math.isfinite(content) else None
    return content
