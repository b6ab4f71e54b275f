"""Densities of a refill's volume about the toilet's own: clean, and with another use's water in it."""

from __future__ import annotations

import numpy as np
from scipy.special import log_ndtr

from flowsift.arrays import FloatArray

_LOG_ROOT_TWO_PI = 0.5 * float(np.log(2.0 * np.pi))


def normal_log_density(off: FloatArray, sd: FloatArray | float) -> FloatArray:
    """Return the log density of a normal error of standard deviation `sd` at `off`."""
    return np.asarray(-0.5 * (off / sd) ** 2 - np.log(sd) - _LOG_ROOT_TWO_PI)


def extra_log_density(off: FloatArray, sd: FloatArray | float, scale: FloatArray | float) -> FloatArray:
    """Return the log density of a normal error plus an extra volume at `off`.

    The extra is gamma distributed with shape 2 (mean ``2 * scale``): another use that mixes with a refill adds some
    tenths of a litre to a few litres, and seldom next to nothing. The convolution of the two has a closed form.

    Parameters
    ----------
    off : ndarray
        Excess over the toilet's own volume [L].
    sd : float or ndarray
        Standard deviation of the error [L].
    scale : float or ndarray
        Half the mean of the extra [L].
    """
    z = off / sd - sd / scale
    log_below = log_ndtr(z)
    # Mean of the extra, given the excess: that of a normal cut off at zero, sd * (z + hazard).
    hazard = np.exp(np.clip(normal_log_density(z, 1.0) - log_below, -700.0, 700.0))
    mean = np.maximum(sd * (z + hazard), 1e-12 * sd)
    return np.asarray(0.5 * (sd / scale) ** 2 - off / scale - 2.0 * np.log(scale) + log_below + np.log(mean))


def extra_mean(off: FloatArray, sd: FloatArray | float, scale: FloatArray | float) -> FloatArray:
    """Return the mean of the extra volume of a mixed refill, given its excess `off` (arguments as above)."""
    z = off / sd - sd / scale
    # First and second moment of a normal of mean z cut off at zero: the extra's density is its place times that.
    hazard = np.exp(np.clip(normal_log_density(z, 1.0) - log_ndtr(z), -700.0, 700.0))
    first = np.maximum(z + hazard, 1e-12)
    return np.asarray(sd * np.maximum(1.0 + z * first, 0.0) / first)
