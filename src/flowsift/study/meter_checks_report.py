"""What was checked of a meter, beside the smallest leak that it can show."""

from __future__ import annotations

from dataclasses import dataclass

from flowsift.standards import METER_SIZES, minimum_test_flow
from flowsift.study.isolation_plan import smallest_visible_lpm
from flowsift.study.meter_checks import Factor, ZeroTest
from flowsift.study.steady_rate import step_l
from flowsift.trace import Trace

VISIBLE_S = (1800.0, 2 * 3600.0, 6 * 3600.0, 24 * 3600.0)
"""Quiet times for which the smallest visible leak is given [s]."""


@dataclass(frozen=True, kw_only=True)
class Visible:
    """Smallest leak that shows within a quiet time.

    Attributes
    ----------
    duration_s : float
        Quiet time [s].
    rate_lpm : float
        Smallest constant flow [L/min].
    """

    duration_s: float
    rate_lpm: float


@dataclass(frozen=True, kw_only=True)
class MeterReport:
    """Everything that was checked of one meter.

    Attributes
    ----------
    zero : ZeroTest or None
    register, bucket : Factor or None
    visible : tuple of Visible
    starting_lpm : float
        Starting flow of the meter as given [L/min], 0 for not given.
    test_flows_lpm : dict
        Published smallest test flow of a new displacement meter by size [L/min].
    test_flow_source : str
    """

    zero: ZeroTest | None
    register: Factor | None
    bucket: Factor | None
    visible: tuple[Visible, ...]
    starting_lpm: float
    test_flows_lpm: dict[str, float]
    test_flow_source: str

    @property
    def best(self) -> Factor | None:
        """The factor known best, None where none was measured."""
        factors = [f for f in (self.register, self.bucket) if f is not None]
        return min(factors, key=lambda f: (f.high - f.low) / f.factor) if factors else None


def meter_report(
    trace: Trace,
    *,
    zero: ZeroTest | None = None,
    register: Factor | None = None,
    bucket: Factor | None = None,
    starting_lpm: float = 0.0,
) -> MeterReport:
    """Put the checks of one meter together with the smallest leak that it can show."""
    return MeterReport(
        zero=zero,
        register=register,
        bucket=bucket,
        visible=tuple(
            Visible(
                duration_s=s,
                rate_lpm=smallest_visible_lpm(pulse_l=step_l(trace), duration_s=s, starting_lpm=starting_lpm),
            )
            for s in VISIBLE_S
        ),
        starting_lpm=starting_lpm,
        test_flows_lpm={size: minimum_test_flow(size).value_lpm for size in METER_SIZES},
        test_flow_source=str(minimum_test_flow().source),
    )
