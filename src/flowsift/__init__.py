"""flowsift: a fixture-level water account from one meter's flow trace.

What stands in `__all__` is imported when it is first asked for: ``import flowsift`` by itself costs next to nothing.
"""

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from flowsift import fleet, households, plot, standards, stream, study
    from flowsift.classify.facts import HomeFacts
    from flowsift.disaggregation import Balance, Disaggregation
    from flowsift.errors import FlowsiftError, InputError, NotEnoughDataError, OptionError
    from flowsift.labels import LABELS
    from flowsift.pipeline import disaggregate
    from flowsift.quality import Finding
    from flowsift.readers import read_trace
    from flowsift.trace import Trace

__version__ = "0.1.0"

_MODULE_OF = {
    "Balance": "disaggregation",
    "Disaggregation": "disaggregation",
    "Finding": "quality",
    "FlowsiftError": "errors",
    "HomeFacts": "classify.facts",
    "InputError": "errors",
    "LABELS": "labels",
    "NotEnoughDataError": "errors",
    "OptionError": "errors",
    "Trace": "trace",
    "disaggregate": "pipeline",
    "read_trace": "readers",
}
"""Names of the face, and the modules that hold them."""

_ROOMS = ("fleet", "households", "plot", "standards", "stream", "study")
"""Rooms that are reached as attributes: ``flowsift.study.flushes(result)``."""

__all__ = [
    "LABELS",
    "Balance",
    "Disaggregation",
    "Finding",
    "FlowsiftError",
    "HomeFacts",
    "InputError",
    "NotEnoughDataError",
    "OptionError",
    "Trace",
    "__version__",
    "disaggregate",
    "fleet",
    "households",
    "plot",
    "read_trace",
    "standards",
    "stream",
    "study",
]


def __getattr__(name: str) -> Any:
    """Import a public name when it is first asked for."""
    if name in _ROOMS:
        return import_module(f"flowsift.{name}")
    if name not in _MODULE_OF:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = getattr(import_module(f"flowsift.{_MODULE_OF[name]}"), name)
    globals()[name] = found  # asked for once
    return found


def __dir__() -> list[str]:
    """List the public names, imported yet or not."""
    return sorted({*globals(), *__all__})
