"""Files of real meters: what their columns, units and times mean, and a trace from them."""

from flowsift.readers.read import KINDS, read_trace
from flowsift.readers.unit_names import KNOWN_UNITS

__all__ = ["KINDS", "KNOWN_UNITS", "read_trace"]
