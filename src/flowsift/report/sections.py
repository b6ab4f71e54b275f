"""Sections of plain text that fit the columns of a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable
from dataclasses import dataclass

WIDTH = 80
"""Columns of a terminal that every line fits in."""


@dataclass(frozen=True, kw_only=True)
class Section:
    """A heading and the lines under it.

    Attributes
    ----------
    heading : str
    lines : tuple of str
        None longer than `WIDTH`.
    """

    heading: str
    lines: tuple[str, ...]


def wrapped(text: str, *, indent: int = 2, hang: int = 4) -> tuple[str, ...]:
    """Return a text in lines of at most `WIDTH` columns."""
    first, rest = " " * indent, " " * hang
    return tuple(textwrap.wrap(text, WIDTH, initial_indent=first, subsequent_indent=rest))


def wrapped_all(texts: Iterable[str]) -> tuple[str, ...]:
    """Return one text after another, each wrapped."""
    return tuple(line for text in texts for line in wrapped(text))


def bullets(texts: Iterable[str]) -> tuple[str, ...]:
    """Return texts as a list."""
    return wrapped_all(f"- {text}" for text in texts)
