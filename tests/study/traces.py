"""Small made-up traces for the tests of studies: constant flows, uses on top, pulses."""

import numpy as np
import pandas as pd

import flowsift as fs

START = pd.Timestamp("2024-06-03T00:00Z")


def pulsed(flow_lpm, *, pulse_l, interval_s=1.0, phase=0.3, start=START, timezone="UTC", unit="L"):
    """A trace of a flow given by cell [L/min], read in whole pulses."""
    upto = phase * pulse_l + np.concatenate([[0.0], np.cumsum(np.asarray(flow_lpm, float) * interval_s / 60.0)])
    count = np.diff(np.floor(upto / pulse_l + 1e-9))
    cell = np.flatnonzero(count > 0).astype(np.int64)
    return fs.Trace(
        start_ns=start.value,
        interval_ns=round(interval_s * 1e9),
        n_cells=len(flow_lpm),
        cell=cell,
        volume_l=count[cell] * pulse_l,
        gaps=np.empty((0, 2), np.int64),
        gap_volume_l=np.empty(0),
        pulse_l=pulse_l,
        timezone=timezone,
        unit=unit,
    )


def with_use(flow_lpm, *, at_s, lasting_s, lpm, interval_s=1.0):
    """Return the flow with a use on top."""
    out = np.array(flow_lpm, dtype=float)
    out[round(at_s / interval_s) : round((at_s + lasting_s) / interval_s)] += lpm
    return out
