"""What a figure is: its title, its unit, which way is better, and where its definition comes from."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Better = Literal["higher", "lower", "zero"]


@dataclass(frozen=True, kw_only=True)
class Definition:
    """One figure, or a family of figures that differ by a name in brackets.

    Attributes
    ----------
    name : str
        ``subject.figure``; a member of a family is ``subject.figure[label]``.
    title : str
        Short heading for a table.
    unit : str
        ``""`` for a share or a score between 0 and 1.
    better : {"higher", "lower", "zero"}
        Which way is better; "zero" for a signed error.
    meaning : str
        Exact definition in a sentence or two.
    source : str
        Where the definition comes from.
    """

    name: str
    title: str
    better: Better
    meaning: str
    unit: str = ""
    source: str = "defined here"
