"""What water costs: block rates, fixed charges and sewer, read from a small TOML file."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path
from typing import Any

from flowsift.errors import InputError, OptionError
from flowsift.standards.conversion import DAYS_PER_YEAR
from flowsift.units import L_PER_UNIT

PERIOD_DAYS = {"month": DAYS_PER_YEAR / 12.0, "two months": DAYS_PER_YEAR / 6.0, "quarter": DAYS_PER_YEAR / 4.0}
PERIOD_DAYS |= {"half year": DAYS_PER_YEAR / 2.0, "year": DAYS_PER_YEAR}
"""Days of a billing period, by its name in the file."""

TARIFF_UNITS_L = L_PER_UNIT | {"kgal": 1000.0 * L_PER_UNIT["gal"]}
"""Litres in one unit of volume that prices are given for."""

_TOP_KEYS = ("name", "currency", "billing_period", "unit", "fixed", "blocks", "sewer")
_BLOCK_KEYS = ("up_to", "price")
_SEWER_KEYS = ("fixed", "price", "share", "cap")


@dataclass(frozen=True, kw_only=True)
class Block:
    """One step of a block rate.

    Attributes
    ----------
    up_to_l : float
        Volume a billing period up to which the price holds [L]; inf for the last block.
    price_per_l : float
        Price of a litre in this block.
    """

    up_to_l: float
    price_per_l: float


@dataclass(frozen=True, kw_only=True)
class Sewer:
    """Sewer charges, which follow the water volume.

    Attributes
    ----------
    fixed : float
        Charge a billing period.
    price_per_l : float
        Price of a litre.
    share : float
        Part of the water volume that is charged as sewage, 0 to 1.
    cap_l : float
        Most volume charged a billing period [L]; inf for no cap.
    """

    fixed: float = 0.0
    price_per_l: float = 0.0
    share: float = 1.0
    cap_l: float = math.inf


@dataclass(frozen=True, kw_only=True)
class Tariff:
    """A water tariff.

    Attributes
    ----------
    name : str
    currency : str
        As it is to be printed: ``USD``, ``EUR``, ``CHF``.
    period_days : float
        Length of a billing period [d].
    fixed : float
        Charge a billing period, whatever is used.
    blocks : tuple of Block
        Increasing, the last without an end.
    sewer : Sewer

    Examples
    --------
    >>> from pathlib import Path
    >>> from flowsift.study import read_tariff
    >>> from flowsift.study.tariff import example_tariff_text
    >>> _ = Path("tariff.toml").write_text(example_tariff_text())
    >>> tariff = read_tariff("tariff.toml")
    >>> tariff.currency, tariff.bill(20_000.0) > tariff.bill(10_000.0)
    ('USD', True)
    """

    name: str
    currency: str
    period_days: float
    fixed: float
    blocks: tuple[Block, ...]
    sewer: Sewer

    def bill(self, volume_l: float) -> float:
        """Return the bill of one billing period in which `volume_l` was used.

        Raises
        ------
        OptionError
            If the volume is negative or not finite.
        """
        if not (math.isfinite(volume_l) and volume_l >= 0):
            raise OptionError(f"volume_l is {volume_l!r}, expected a volume of at least 0")
        charge, below_l = self.fixed + self.sewer.fixed, 0.0
        for block in self.blocks:
            charge += max(min(volume_l, block.up_to_l) - below_l, 0.0) * block.price_per_l
            below_l = block.up_to_l
        return charge + min(volume_l * self.sewer.share, self.sewer.cap_l) * self.sewer.price_per_l

    def cost_per_year(self, per_day_l: float) -> float:
        """Return a year's bills for an even use of so many litres a day (fixed charges included)."""
        return self.bill(per_day_l * self.period_days) * DAYS_PER_YEAR / self.period_days

    def cost_of_part(self, part_per_day_l: float, *, whole_per_day_l: float) -> float:
        """Return what a part of the use adds to a year's bills: the bills with it, less those without it.

        In block rates the part comes on top: it is priced at the blocks that it fills last.

        Parameters
        ----------
        part_per_day_l : float
            Litres a day of the part, >= 0.
        whole_per_day_l : float
            Litres a day of the whole use, part included; less than the part is taken as the part alone.
        """
        whole = max(whole_per_day_l, part_per_day_l)
        return self.cost_per_year(whole) - self.cost_per_year(whole - part_per_day_l)


def read_tariff(path: str | Path) -> Tariff:
    """Read a tariff from a TOML file.

    Parameters
    ----------
    path : str or Path
        See `example_tariff_text` for a file with every key.

    Raises
    ------
    InputError
        If the file is no TOML, a key is missing, unknown or out of range; it names the file and the key.

    Examples
    --------
    >>> from pathlib import Path
    >>> from flowsift.study import read_tariff
    >>> from flowsift.study.tariff import example_tariff_text
    >>> _ = Path("tariff.toml").write_text(example_tariff_text())
    >>> read_tariff("tariff.toml").name
    'Example town, block rates with a sewer cap'
    """
    path = Path(path)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError("found bytes that are no UTF-8 text, expected a TOML file", file=str(path)) from error
    return parsed_tariff(text, file=str(path))


def parsed_tariff(text: str, *, file: str = "tariff") -> Tariff:
    """Return the tariff that a TOML text describes; `file` names it in errors, which are those of `read_tariff`."""
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"is no TOML: {error}", file=file) from error
    top = _Table(content, file=file, where="")
    top.only(_TOP_KEYS)
    period = top.word("billing_period", tuple(PERIOD_DAYS), default="month")
    unit_l = TARIFF_UNITS_L[top.word("unit", tuple(TARIFF_UNITS_L))]
    sewer = _Table(top.table("sewer"), file=file, where="sewer.")
    sewer.only(_SEWER_KEYS)
    return Tariff(
        name=top.text("name", default=Path(file).stem),
        currency=top.text("currency"),
        period_days=PERIOD_DAYS[period],
        fixed=top.number("fixed", default=0.0),
        blocks=_blocks(top, unit_l),
        sewer=Sewer(
            fixed=sewer.number("fixed", default=0.0),
            price_per_l=sewer.number("price", default=0.0) / unit_l,
            share=sewer.number("share", default=1.0, most=1.0),
            cap_l=sewer.number("cap", default=math.inf) * unit_l,
        ),
    )


def example_tariff_text() -> str:
    """Return a commented tariff file with every key; its prices are invented."""
    return files("flowsift.study").joinpath("data", "tariff-example.toml").read_text(encoding="utf-8")


def _blocks(top: _Table, unit_l: float) -> tuple[Block, ...]:
    entries = top.content.get("blocks", [])
    if not isinstance(entries, list) or not entries or not all(isinstance(entry, dict) for entry in entries):
        raise top.error("blocks", "expected one or more [[blocks]], each with a price and, but for the last, up_to")
    blocks: list[Block] = []
    for number, entry in enumerate(entries, start=1):
        table = _Table(entry, file=top.file, where=f"blocks {number}: ")
        table.only(_BLOCK_KEYS)
        last = number == len(entries)
        if last and "up_to" in entry:
            raise table.error("up_to", "found a value, expected none: the last block has no end")
        up_to = math.inf if last else table.number("up_to")
        if not last and blocks and up_to * unit_l <= blocks[-1].up_to_l:
            raise table.error("up_to", f"found {up_to:g}, expected more than in the block before")
        if up_to == 0:
            raise table.error("up_to", "found 0, expected a volume above it")
        blocks.append(Block(up_to_l=up_to * unit_l, price_per_l=table.number("price") / unit_l))
    return tuple(blocks)


class _Table:
    """One table of the file, whose values are checked as they are taken out."""

    def __init__(self, content: Mapping[str, Any], *, file: str, where: str) -> None:
        self.content, self.file, self.where = content, file, where

    def error(self, key: str, problem: str) -> InputError:
        return InputError(problem, file=self.file, column=f"{self.where}{key}")

    def only(self, known: tuple[str, ...]) -> None:
        for key in self.content:
            if key not in known:
                raise self.error(key, f"is an unknown key; known: {', '.join(known)}")

    def table(self, key: str) -> Mapping[str, Any]:
        found = self.content.get(key, {})
        if not isinstance(found, dict):
            raise self.error(key, f"found {found!r}, expected a table [{key}]")
        return found

    def number(self, key: str, *, default: float | None = None, most: float = math.inf) -> float:
        found = self.content.get(key, default)
        if found is None:
            raise self.error(key, "is missing, expected a number")
        limit = f"a number from 0 to {most:g}" if math.isfinite(most) else "a number of at least 0"
        if isinstance(found, bool) or not isinstance(found, int | float) or math.isnan(found):
            raise self.error(key, f"found {found!r}, expected {limit}")
        if not 0 <= found <= most or (key in self.content and math.isinf(found)):
            raise self.error(key, f"found {found!r}, expected {limit}")
        return float(found)

    def text(self, key: str, *, default: str | None = None) -> str:
        found = self.content.get(key, default)
        if not isinstance(found, str) or not found.strip():
            raise self.error(key, f"found {found!r}, expected a text" if found is not None else "is missing")
        return found.strip()

    def word(self, key: str, known: tuple[str, ...], *, default: str | None = None) -> str:
        found = self.text(key, default=default)
        if found not in known:
            raise self.error(key, f"found {found!r}, expected one of {', '.join(known)}")
        return found
