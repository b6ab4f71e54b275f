"""What no house's meter passes."""

from __future__ import annotations

import numpy as np

from flowsift.arrays import FloatArray, IntArray
from flowsift.units import L_PER_GAL, NS_PER_S, SECONDS_PER_MINUTE

MAX_HOUSE_LPM = 4.0 * 50.0 * L_PER_GAL
"""Flow above this can't have passed a house's meter: four times the maximum normal flow of a 1-inch displacement
meter, 50 gal/min (meter accuracy table of a state rule that copies the AWWA C700 ratings). The factor is an
assumption: no service to one household passes 757 L/min, and a meter that short of its rating tears."""

MAX_METER_LPM = 50.0 * L_PER_GAL
"""Maximum normal flow of a 1-inch displacement meter, 50 gal/min (the same table) [L/min]."""

LARGEST_PULSE_L = 10.0 * L_PER_GAL
"""A larger common step of the values is not believed to be a pulse when spikes are judged: ten gallons, one turn of the
sweep hand of a gallon register (meter metrology table)."""

FEW_SHARE = 0.01
"""Impossible values up to this share of the rows are faults; more of them mean that the input was misread."""


def spike_limit_l(length: IntArray | None, *, interval_ns: int, pulse_l: float) -> FloatArray | float:
    """Return the largest believable volume of each row [L]; a pulse at either edge is no flow."""
    most = MAX_HOUSE_LPM * interval_ns / NS_PER_S / SECONDS_PER_MINUTE
    spans = 1.0 if length is None else length.astype(np.float64)
    return most * spans + 2.0 * pulse_l
