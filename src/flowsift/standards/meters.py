"""What published meter standards say a meter must see: smallest test flows by meter size."""

from __future__ import annotations

from flowsift.errors import OptionError
from flowsift.standards.figures import Figure, figure

METER_SIZES = ("5/8 in", "3/4 in", "1 in", "1-1/2 in", "2 in")
"""Nominal sizes of displacement meters with published test flows."""


def minimum_test_flow(size: str = "5/8 in") -> Figure:
    """Return the smallest flow at which a new displacement meter of that size is tested.

    Below it nothing is promised: a worn meter may pass that flow unseen.

    Parameters
    ----------
    size : str
        Nominal size of the meter, one of `METER_SIZES`.

    Returns
    -------
    Figure
        Its `value_lpm` is the flow [L/min].

    Raises
    ------
    OptionError
        If `size` is not one of `METER_SIZES` (the message lists them).

    Examples
    --------
    >>> from flowsift.standards import minimum_test_flow
    >>> minimum_test_flow("5/8 in").unit
    'gal/min'
    """
    if size not in METER_SIZES:
        raise OptionError(f"unknown meter size {size!r}; known sizes: {', '.join(METER_SIZES)}")
    stem = size.replace("/", "_").replace("-", "_").replace(" ", "_")
    return figure(f"meter.displacement_meter_{stem}_minimum_test_flow")
