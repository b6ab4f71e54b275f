"""Published figures with their sources, and the typical ranges and classes that rest on them.

Each number is one record in a data file of this package. `figure` gives one, `figures` the table of all.
"""

from flowsift.standards.figures import Figure, Source, figure, figures, source
from flowsift.standards.flush import FlushClass, dual_flush_effective_l, flush_classes, nearest_flush_class
from flowsift.standards.meters import METER_SIZES, minimum_test_flow
from flowsift.standards.typical import Basis, Spread, TypicalRange, typical_ranges

__all__ = [
    "METER_SIZES",
    "Basis",
    "Figure",
    "FlushClass",
    "Source",
    "Spread",
    "TypicalRange",
    "dual_flush_effective_l",
    "figure",
    "figures",
    "flush_classes",
    "minimum_test_flow",
    "nearest_flush_class",
    "source",
    "typical_ranges",
]
