"""JSON that is checked while it is read, field by field, and written without anything that JSON hasn't got."""

from __future__ import annotations

import json
import sys
from collections.abc import Mapping
from typing import Any, NoReturn

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.errors import InputError


def written(content: Mapping[str, Any]) -> str:
    """Return content as one line of strict JSON (no NaN, no infinity)."""
    return json.dumps(content, allow_nan=False, separators=(",", ":"))


def read_fields(text: str, *, kind: str, version: int) -> Fields:
    """Return the fields of a JSON text that says in its fields ``kind`` and ``version`` what it is.

    Raises
    ------
    InputError
        If it isn't strict JSON, or of another kind or version.
    """
    fields = json_fields(text, kind=kind)
    check_kind(fields, kind=kind, version=version)
    return fields


def json_fields(text: str, *, kind: str) -> Fields:
    """Return the fields of a JSON text, called `kind` in errors (InputError if it isn't strict JSON)."""

    def refuse(constant: str) -> NoReturn:
        raise ValueError(f"{constant} is no JSON")

    try:
        content = json.loads(text, parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        raise InputError(f"{kind}: not JSON ({error})") from error
    return Fields(kind, content)


def check_kind(fields: Fields, *, kind: str, version: int) -> None:
    """Raise `InputError` unless an object says that it is of a kind and version."""
    if fields.text("kind") != kind:
        raise InputError(f"found a {fields.text('kind')!r}, expected a {kind!r}")
    if fields.integer("version") != version:
        raise InputError(
            f"{kind}: found version {fields.integer('version')}, expected {version}: it was written by another "
            "version of flowsift and has to be made anew"
        )


class Fields:
    """Fields of a JSON object, each checked when it is asked for.

    Parameters
    ----------
    where : str
        Name of the object in errors.
    content : object
    """

    def __init__(self, where: str, content: object) -> None:
        if not isinstance(content, dict):
            raise InputError(f"{where}: found {_shown(content)}, expected an object")
        self._where = where
        self._content = content

    def value(self, name: str) -> Any:
        """Return a field whatever it is."""
        if name not in self._content:
            raise InputError(f"{self._where}: the field {name!r} is missing")
        return self._content[name]

    def part(self, name: str) -> Fields:
        """Return a field that is an object."""
        return Fields(f"{self._where}.{name}", self.value(name))

    def parts(self, name: str) -> list[Fields]:
        """Return a field that is a list of objects."""
        return [Fields(f"{self._where}.{name}[{k}]", item) for k, item in enumerate(self._list(name))]

    def number(
        self, name: str, *, least: float = -np.inf, above: float = -np.inf, most: float = sys.float_info.max
    ) -> float:
        """Return a field that is a finite number of at least `least`, above `above`, of at most `most`."""
        found = self.value(name)
        if isinstance(found, bool) or not isinstance(found, int | float) or not -sys.float_info.max <= found <= most:
            self._refuse(name, found, "a number" if most == sys.float_info.max else f"a number up to {most:g}")
        if found < least or found <= above:
            self._refuse(name, found, f"a number of at least {least:g}" if found < least else f"above {above:g}")
        return float(found)

    def integer(self, name: str, *, least: int | None = None) -> int:
        """Return a field that is a whole number of at least `least`."""
        found = self.value(name)
        if isinstance(found, bool) or not isinstance(found, int) or abs(found) >= 2**63:
            self._refuse(name, found, "a whole number")
        if least is not None and found < least:
            self._refuse(name, found, f"a whole number of at least {least}")
        return int(found)

    def flag(self, name: str) -> bool:
        """Return a field that is true or false."""
        found = self.value(name)
        if not isinstance(found, bool):
            self._refuse(name, found, "true or false")
        return bool(found)

    def text(self, name: str, *, among: tuple[str, ...] = ()) -> str:
        """Return a field that is text, one of `among` where that is given."""
        found = self.value(name)
        if not isinstance(found, str) or (among and found not in among):
            self._refuse(name, found, f"one of {', '.join(among)}" if among else "text")
        return str(found)

    def texts(self, name: str, *, among: tuple[str, ...]) -> tuple[str, ...]:
        """Return a field that is a list of texts, each one of `among`."""
        for item in self._list(name):
            if item not in among:
                self._refuse(name, item, f"one of {', '.join(among)}")
        return tuple(self._list(name))

    def floats(self, name: str, *shape: int) -> FloatArray:
        """Return a field that is an array of finite numbers; -1 in `shape` stands for any length."""
        for item in _items(self._list(name), len(shape)):
            if isinstance(item, bool) or not isinstance(item, int | float):
                self._refuse(name, item, "numbers")
        array = self._array(name, np.float64, shape)
        if not np.isfinite(array).all():
            self._refuse(name, "a number out of range", "finite numbers")
        return np.asarray(array, dtype=np.float64)

    def integers(self, name: str, *shape: int) -> IntArray:
        """Return a field that is an array of whole numbers; -1 in `shape` stands for any length."""
        for item in _items(self._list(name), len(shape)):
            if isinstance(item, bool) or not isinstance(item, int):
                self._refuse(name, item, "whole numbers")
        return np.asarray(self._array(name, np.int64, shape), dtype=np.int64)

    def has(self, name: str) -> bool:
        """Tell whether a field is there and not null."""
        return self._content.get(name) is not None

    def _list(self, name: str) -> list[Any]:
        found = self.value(name)
        if not isinstance(found, list):
            self._refuse(name, found, "a list")
        return list(found)

    def _array(self, name: str, dtype: type, shape: tuple[int, ...]) -> Any:
        wanted = shape or (-1,)
        items = self._list(name)
        try:
            array: Any = np.array(items, dtype=dtype)
        except (ValueError, OverflowError) as error:
            raise InputError(f"{self._where}.{name}: {error}") from error
        if not items:
            return array.reshape([max(n, 0) for n in wanted]) if -1 in wanted or 0 in wanted else self._misfit(name)
        if array.ndim != len(wanted) or any(w not in (-1, n) for w, n in zip(wanted, array.shape, strict=True)):
            self._misfit(name)
        return array

    def _misfit(self, name: str) -> NoReturn:
        raise InputError(f"{self._where}.{name}: the list has another shape than expected")

    def _refuse(self, name: str, found: object, expected: str) -> NoReturn:
        raise InputError(f"{self._where}.{name}: found {_shown(found)}, expected {expected}")


def _items(items: list[Any], n_levels: int) -> list[Any]:
    """Return what lists inside lists hold, so many levels deep."""
    for _ in range(n_levels - 1):
        items = [item for part in items for item in (part if isinstance(part, list) else [part])]
    return items


def _shown(found: object) -> str:
    shown = repr(found)
    return shown if len(shown) <= 40 else f"{shown[:37]}..."
