"""How labels look in pictures and on pages: a colour, a hatch and words for each, so that none rests on colour alone.

The colours are the eight of M. Okabe and K. Ito, "Color Universal Design" (2008), chosen to be told apart with any
colour vision; the order is our own, and a hatch tells apart the labels that share one.
"""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

from flowsift.labels import TRICKLE, UNEXPLAINED

BLUE, SKY, GREEN, YELLOW = "#0072B2", "#56B4E9", "#009E73", "#F0E442"
ORANGE, VERMILION, PURPLE, GREY = "#E69F00", "#D55E00", "#CC79A7", "#999999"


@dataclass(frozen=True, kw_only=True)
class Look:
    """Look of one label.

    Attributes
    ----------
    colour : str
        Fill, as ``#RRGGBB``.
    hatch : str
        Name of a pattern, empty for a plain fill; see `MATPLOTLIB_HATCH`.
    """

    colour: str
    hatch: str = ""


LOOKS = MappingProxyType(
    {
        "irrigation": Look(colour=GREEN),
        "shower": Look(colour=SKY),
        "flush": Look(colour=ORANGE),
        "faucet": Look(colour=BLUE),
        "clothes_washer": Look(colour=PURPLE),
        "dishwasher": Look(colour=PURPLE, hatch="dot"),
        "bathtub": Look(colour=SKY, hatch="dot"),
        "hose": Look(colour=GREEN, hatch="right_diagonal_line"),
        "softener": Look(colour=YELLOW, hatch="dot"),
        "cooler": Look(colour=BLUE, hatch="right_diagonal_line"),
        "pool_fill": Look(colour=SKY, hatch="horizontal_line"),
        "toilet_leak": Look(colour=VERMILION, hatch="right_diagonal_line"),
        "other": Look(colour=GREY),
        TRICKLE: Look(colour=VERMILION),
        UNEXPLAINED: Look(colour=GREY, hatch="cross"),
    }
)
"""Look of each label, of the trickle and of what is not explained."""

MATPLOTLIB_HATCH = MappingProxyType(
    {"": "", "dot": "..", "right_diagonal_line": "//", "horizontal_line": "--", "cross": "xx"}
)
"""The hatches in matplotlib's spelling."""

MARKERS = ("circle", "triangle", "square", "diamond", "inverted_triangle", "star")
"""Markers that tell fixtures apart."""

MATPLOTLIB_MARKERS = "o^sDv*"
"""The markers in matplotlib's spelling."""

MARKS = "\u25cf\u25b2\u25a0\u25c6\u25bc\u2605"
"""The markers as characters, for a legend in text."""

PALE_TO_DARK = ("#f2f5f7", "#d4e3ec", "#a9c9dd", "#76abca", "#4189b3", "#0072B2", "#005485", "#003857")
"""Steps of the usual week, from our blue's tints to its shades: they differ in lightness, not in hue."""

FEW_DAYS = 5
"""Below so many days each is named under its bar: a usual time axis would have ticks at hours."""

SERIES = (BLUE, VERMILION, GREEN, PURPLE, ORANGE, SKY)
"""Colours of fixtures in one picture, together with `MARKERS`."""
