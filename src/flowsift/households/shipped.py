"""The small demonstration households that come with the package, and how they were made."""

from __future__ import annotations

from collections.abc import Callable
from importlib import resources
from pathlib import Path

from flowsift.errors import InputError, OptionError
from flowsift.households.fixtures.leaks import Trickle
from flowsift.households.household import LOG_FILE, Household
from flowsift.households.simulate import simulate
from flowsift.units import L_PER_GAL, SECONDS_PER_DAY


def _demo() -> Household:
    """Two weeks in summer at 5 s: two toilets of different volume, sprinklers, a leak that begins on the ninth day."""
    return simulate(
        243,
        days=14,
        stock="us",
        people=3,
        interval_s=5.0,
        pulse_l=0.05,
        start="2024-06-10",
        timezone="America/Denver",
        include=("bathtub", "clothes washer", "dishwasher", "irrigation"),
        exclude=("worn flapper", "softener", "cooler", "pool", "reverse osmosis", "humidifier", "broken head"),
        leaks=(Trickle(rate_lpm=0.12, from_s=8.3 * SECONDS_PER_DAY, to_s=14 * SECONDS_PER_DAY, where="hose bib drip"),),
        starting_lpm=0.02,
    )


def _flapper() -> Household:
    """Ten winter days in gallons at 10 s, 80 pulses a gallon, with a leaking toilet flapper."""
    return simulate(
        173,
        days=10,
        stock="us",
        people=2,
        interval_s=10.0,
        pulse_l=L_PER_GAL / 80.0,
        start="2024-01-15",
        timezone="America/Chicago",
        unit="gal",
        include=("worn flapper", "clothes washer", "dishwasher"),
        exclude=("softener", "reverse osmosis", "humidifier", "irrigation"),
        leaks=(),
    )


def _coarse() -> Household:
    """Three weeks of a European flat at 10 s and half a litre a pulse."""
    return simulate(
        5,
        days=21,
        stock="europe",
        people=2,
        interval_s=10.0,
        pulse_l=0.5,
        start="2024-10-07",
        timezone="Europe/Madrid",
        outdoors=False,
        include=("clothes washer", "dishwasher"),
        exclude=("worn flapper", "softener"),
        leaks=(),
    )


def _repaired() -> Household:
    """Four weeks at 30 s and 0.1 L a pulse: a leak and a softener; the leak is mended on the fifteenth day."""
    return simulate(
        77,
        days=28,
        stock="us-efficient",
        people=4,
        interval_s=30.0,
        pulse_l=0.1,
        start="2024-04-01",
        timezone="America/Los_Angeles",
        include=("softener", "clothes washer", "dishwasher", "hose"),
        exclude=("worn flapper", "pool", "cooler", "irrigation"),
        leaks=(Trickle(rate_lpm=0.35, from_s=0.0, to_s=14.45 * SECONDS_PER_DAY, where="pipe joint"),),
        starting_lpm=0.03,
    )


SHIPPED: dict[str, Callable[[], Household]] = {
    "demo": _demo,
    "flapper": _flapper,
    "coarse": _coarse,
    "repaired": _repaired,
}
"""Names of the shipped households, and the function that makes each of them again."""


def write_shipped(folder: str | Path, *, name: str | None = None) -> None:
    """Write all shipped households, or the one of a name, into folders under `folder`; the bytes never change.

    Parameters
    ----------
    folder : str or Path
        Gets one folder a household.
    name : str, optional
        One of `SHIPPED`; all of them where it isn't given.

    Examples
    --------
    >>> from flowsift.households import write_shipped
    >>> write_shipped("made", name="flapper")
    """
    for one in [name] if name else list(SHIPPED):
        household = _maker(one)()
        home = Path(folder) / one
        household.truth.write(home)
        household.write_log(home / LOG_FILE)


def shipped_folder(name: str) -> Path:
    """Return the folder of a shipped household, in the installed package or in the repository.

    Parameters
    ----------
    name : str
        One of `SHIPPED`.

    Returns
    -------
    Path

    Raises
    ------
    OptionError
        If no household of that name is shipped.
    InputError
        If its files aren't there.

    Examples
    --------
    >>> from flowsift.households import shipped_folder
    >>> shipped_folder("demo").name
    'demo'
    """
    _maker(name)
    package = Path(str(resources.files("flowsift")))
    places = (package / "_demo" / name, package.parents[1] / "data" / "synthetic" / name)
    for place in places:
        if (place / LOG_FILE).is_file():
            return place
    raise InputError(f"expected the files of the shipped household {name!r}, found none", file=str(places[0]))


def read_shipped(name: str = "demo") -> Household:
    """Read a shipped household.

    Parameters
    ----------
    name : str
        One of `SHIPPED`.

    Returns
    -------
    Household

    Raises
    ------
    OptionError
        If no household of that name is shipped.
    InputError
        If its files aren't there.

    Examples
    --------
    >>> from flowsift.households import read_shipped
    >>> read_shipped("demo").trace
    Trace(2024-06-10 06:00 to 2024-06-24 06:00 UTC, 5 s intervals, 18,423.9 L in ... of 241,920, 0 gaps)
    """
    return Household.read(shipped_folder(name))


def _maker(name: str) -> Callable[[], Household]:
    try:
        return SHIPPED[name]
    except KeyError:
        raise OptionError(f"unknown shipped household {name!r}; known: {', '.join(SHIPPED)}") from None
