"""Arrays at the door: what other libraries and other types of a column hold."""

from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest

import flowsift as fs

SECONDS = 1_718_262_000.0 + np.arange(3.0)
VOLUME_L = np.array([1.0, 2.0, 3.0])


class Series:
    """A column of another data frame."""

    def __init__(self, values):
        self.values = values

    def to_numpy(self):
        return self.values


@pytest.mark.parametrize(
    "times",
    [
        SECONDS.astype(object),
        SECONDS.astype(np.int64).astype(object),
        pd.Series(SECONDS, dtype=object),
        Series(SECONDS),
        Series(SECONDS.astype("M8[s]")),
        np.ma.array(SECONDS),
    ],
)
def test_seconds_are_seconds_whatever_holds_them(times):
    trace = fs.Trace.from_volumes(times, Series(VOLUME_L), interval_s=1.0)
    assert trace.start == pd.Timestamp("2024-06-13 07:00", tz="UTC")
    assert trace.metered_l == 6.0


@pytest.mark.parametrize("volume_l", [VOLUME_L, VOLUME_L.astype(int), VOLUME_L.astype(object)])
def test_what_is_masked_is_missing(volume_l):
    trace = fs.Trace.from_volumes(SECONDS, np.ma.array(volume_l, mask=[False, True, False]), interval_s=1.0)
    assert (trace.metered_l, trace.gap_s) == (4.0, 1.0)


@pytest.mark.parametrize(
    ("times", "problem"),
    [
        ([SECONDS[0], "2024-06-13", SECONDS[2]], "row 0, .* found numbers among other times"),
        (["2024-06-13", "2024-06-14", SECONDS[2]], "row 2, .* found numbers among other times"),
        (np.ma.array(SECONDS, mask=[False, True, False]), "row 1, .* found an empty time"),
        (np.array([1, None, 3], dtype=object), "row 1, .* empty"),
        (SECONDS.astype(np.float32), "found times as float32"),
        (np.arange(3).astype(np.float16), "found times as float16"),
        (pd.Index(SECONDS.astype(np.float32)), "found times as float32"),
        (["13/06/2024 07:00:00"] * 3, "row 0, column \"time\": found '13/06/2024 07:00:00', expected a time$"),
        (["2024-06-13 07:00:00", "13/06/2024 07:00:00", "x"], "row 1, .* found '13/06/2024 07:00:00'"),
    ],
)
def test_times_that_are_none_are_one_line(times, problem):
    # Warnings are errors in these tests.
    with pytest.raises(fs.InputError, match=problem) as raised:
        fs.Trace.from_volumes(times, VOLUME_L, interval_s=1.0)
    assert "\n" not in str(raised.value)


def test_a_zone_is_taken_as_its_name():
    assert fs.Trace.from_volumes(SECONDS, VOLUME_L, timezone=ZoneInfo("America/Denver")).timezone == "America/Denver"


@pytest.mark.parametrize(
    ("options", "name"),
    [({"interval_s": "1"}, "interval_s"), ({"pulse_l": "0.1"}, "pulse_l"), ({"timezone": 5}, "zone")],
)
def test_options_of_the_wrong_type_are_named(options, name):
    with pytest.raises(fs.OptionError, match=name):
        fs.Trace.from_volumes(SECONDS, VOLUME_L, **options)
