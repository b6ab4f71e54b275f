"""What published accuracy limits say of a refill's volume: an error that is the same at every flush.

A meter's error at one flow repeats: it does not average out over flushes. Published limits say how far a meter that
passes its test may be off; where it lies between them nobody says, so that every place is taken as equally likely: a
rectangular distribution of half-width a has the standard deviation a / sqrt(3), and independent errors add in
quadrature ("Guide to the expression of uncertainty in measurement", JCGM 100:2008, clauses 4.3.7 and 5.1.2; the factor
1.645 of its table G.1 then gives 90 %; clauses from memory). Limits are stated at test flows and, below the
intermediate one, open downward: a displacement meter may miss more than it adds. Between two test flows the limits are
interpolated in the logarithm of the flow (assumption), and taken at the refill's own flow.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Literal, get_args

import numpy as np

from flowsift.errors import OptionError
from flowsift.standards import Figure, figure, minimum_test_flow
from flowsift.study.flushes_volume import Z

MeterKind = Literal["displacement", "class-2", "exact"]
"""Meters with known limits: a new 5/8 in displacement meter (US state rules after the AWWA tables), a meter within the
error limits of MID and EN 14154 (class 2), and one that is taken to be exact."""


@dataclass(frozen=True, kw_only=True)
class MeterLimits:
    """Limits of what a meter registers at one flow.

    Attributes
    ----------
    low, high : float
        Least and greatest registered share of the real volume.
    sources : tuple of Figure
        Figures that they come from.
    """

    low: float
    high: float
    sources: tuple[Figure, ...]

    def widened(self, volume_l: float, low_l: float, high_l: float) -> tuple[float, float]:
        """Widen a 90 % interval of a metered volume by the meter's own error.

        Half-widths are added in quadrature on each side; that of a rectangular error of half-width ``h`` counts as
        ``1.645 h / sqrt(3)``. A meter that may miss more than it adds widens the upper side more.
        """
        down = Z / np.sqrt(3.0) * (volume_l - volume_l / self.high)
        up = Z / np.sqrt(3.0) * (volume_l / self.low - volume_l)
        low = volume_l - float(np.hypot(volume_l - low_l, down))
        return max(low, 0.0), volume_l + float(np.hypot(high_l - volume_l, up))


def meter_limits(flow_lpm: float, *, kind: MeterKind = "displacement") -> MeterLimits:
    """Return the limits of a meter at a flow.

    Parameters
    ----------
    flow_lpm : float
        Flow of the refill [L/min], > 0. Below the smallest test flow its limits are given: nothing is published.
    kind : {"displacement", "class-2", "exact"}

    Raises
    ------
    OptionError
        If `kind` is unknown.
    """
    try:
        return _LIMITS[kind](flow_lpm)
    except KeyError:
        raise OptionError(f"unknown meter {kind!r}; known meters: {', '.join(get_args(MeterKind))}") from None


def _displacement(flow_lpm: float) -> MeterLimits:
    least, usual = figure("meter.new_meter_minimum_flow"), figure("meter.new_meter_intermediate_and_maximum_flow")
    least_flow = minimum_test_flow("5/8 in")
    usual_flow = figure("meter.displacement_meter_5_8_in_intermediate_test_flow")
    place = [np.log(least_flow.value_lpm), np.log(usual_flow.value_lpm)]
    low = float(np.interp(np.log(flow_lpm), place, [least.low, usual.low])) / 100.0
    return MeterLimits(low=low, high=usual.high / 100.0, sources=(least, usual, least_flow, usual_flow))


def _class_2(flow_lpm: float) -> MeterLimits:
    # Q3 2.5 m3/h at R100, the usual domestic meter: Q1 25 L/h and Q2 = 1.6 Q1; refills lie far above.
    q1 = figure("meter.q1_for_q3_2_5_m3_h_and_r100")
    low_flow, usual = figure("meter.error_limit_q1_to_q2"), figure("meter.error_limit_q2_to_q4_water_up_to_30_c")
    limit = usual if flow_lpm >= q1.value_lpm * figure("meter.q2_q1").value else low_flow
    off = limit.value / 100.0
    return MeterLimits(low=1.0 - off, high=1.0 + off, sources=(limit,))


def _exact(flow_lpm: float) -> MeterLimits:  # noqa: ARG001  (the same at every flow)
    return MeterLimits(low=1.0, high=1.0, sources=())


_LIMITS: Mapping[str, Callable[[float], MeterLimits]] = MappingProxyType(
    {"displacement": _displacement, "class-2": _class_2, "exact": _exact}
)
