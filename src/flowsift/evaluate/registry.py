"""Methods by name, from the entry-point group ``flowsift.methods``, or as ``module:attribute``."""

from __future__ import annotations

import sys
from importlib import import_module
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any

from flowsift.errors import OptionError
from flowsift.evaluate.method import Method

GROUP = "flowsift.methods"
"""Entry-point group in which packages announce methods."""


def known_methods() -> dict[str, EntryPoint]:
    """Return the announced methods by name; nothing is imported.

    Raises
    ------
    OptionError
        If two packages claim one name (names both).
    """
    known: dict[str, EntryPoint] = {}
    for entry in sorted(entry_points(group=GROUP), key=lambda e: (e.name, e.value)):
        other = known.get(entry.name)
        if other is not None and (_package(other), other.value) != (_package(entry), entry.value):
            raise OptionError(
                f"method {entry.name!r} is claimed by {_package(other)} ({other.value}) and by {_package(entry)} "
                f"({entry.value}); uninstall one, or give the method as module:attribute"
            )
        known[entry.name] = entry
    return known


def load_method(name: str) -> Method:
    """Load a method.

    Parameters
    ----------
    name : str
        An announced name, or ``module:attribute``; the module may lie in the current folder. A class or factory is
        called without arguments.

    Returns
    -------
    Method

    Raises
    ------
    OptionError
        If the name is unknown (lists the known ones), can't be imported or made, or has no ``disaggregate``.
    """
    try:
        if ":" in name:
            module, _, attribute = name.partition(":")
            _look_here_too()
            loaded: Any = import_module(module)
            for part in attribute.split("."):
                loaded = getattr(loaded, part)
        else:
            known = known_methods()
            if name not in known:
                listed = ", ".join(sorted(known)) or "none installed"
                raise OptionError(f"unknown method {name!r}; known methods: {listed}; or give module:attribute")
            loaded = known[name].load()
        # A class has the method too, unbound: only an instance can be used.
        ready = hasattr(loaded, "disaggregate") and not isinstance(loaded, type)
        method: object = loaded if ready or not callable(loaded) else loaded()
    except OptionError:
        raise
    except (ImportError, AttributeError) as error:
        raise OptionError(f"can't load method {name!r}: {error}") from error
    except Exception as error:  # a plug-in may raise anything
        raise OptionError(
            f"can't load method {name!r}: {type(error).__name__}: {error} (a class or factory is called without "
            "arguments)"
        ) from error
    if not isinstance(method, Method):
        raise OptionError(f"method {name!r} has no disaggregate(trace)")
    return method


def _look_here_too() -> None:
    """Let modules of the current folder be found, after all others: a console script looks in its own folder only."""
    here = str(Path.cwd())
    if here not in sys.path:
        sys.path.append(here)


def module_of(name: str) -> str:
    """Return the name of the module that a method is loaded from."""
    return name.partition(":")[0] if ":" in name else known_methods()[name].module


def _package(entry: EntryPoint) -> str:
    return entry.dist.name if entry.dist is not None else "an unnamed package"
