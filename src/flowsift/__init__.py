"""flowsift: a fixture-level water account from one meter's flow trace."""

from importlib import import_module
from typing import Any

from flowsift.classify.facts import HomeFacts
from flowsift.disaggregation import Balance, Disaggregation
from flowsift.errors import FlowsiftError, InputError, NotEnoughDataError, OptionError
from flowsift.labels import LABELS
from flowsift.pipeline import disaggregate
from flowsift.quality import Finding
from flowsift.readers import read_trace
from flowsift.trace import Trace

__version__ = "0.1.0"

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
    "read_trace",
]


def __getattr__(name: str) -> Any:
    """Import `flowsift.plot` when it is first asked for: a library that draws would slow every import."""
    if name == "plot":
        return import_module("flowsift.plot")
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
