"""A made-up home, its record and the day after it."""

import pytest

import flowsift as fs
from flowsift.households import simulate
from flowsift.stream import learn_home

DAY_S = 86_400
RECORD_DAYS = 4


@pytest.fixture(scope="session")
def rows():
    """Times [ns] and volumes [L] of five days."""
    at, volume = simulate(seed=3, days=RECORD_DAYS + 1).trace.rows()
    at.flags.writeable = volume.flags.writeable = False
    return at, volume


@pytest.fixture(scope="session")
def record(rows):
    at, volume = rows
    first = slice(0, RECORD_DAYS * DAY_S)
    return fs.Trace.from_volumes(at[first].view("M8[ns]"), volume[first], pulse_l=0.03)


@pytest.fixture(scope="session")
def home(record):
    return learn_home(record)


@pytest.fixture(scope="session")
def day(rows):
    at, volume = rows
    return at[RECORD_DAYS * DAY_S :], volume[RECORD_DAYS * DAY_S :]


@pytest.fixture(scope="session")
def morning(day):
    """Some hours with uses, for what is fed many times."""
    at, volume = day
    part = slice(6 * 3600, 11 * 3600)
    return at[part], volume[part]
