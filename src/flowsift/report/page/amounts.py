"""Amounts as the page shows them: in litres and in gallons at once, one of them hidden by the unit switch."""

from __future__ import annotations

from collections.abc import Callable, Iterable

from markupsafe import Markup

from flowsift.amounts import SI, US, Amounts
from flowsift.digits import plain, plain_pair

SYSTEMS = (SI, US)


def marked(texts: Iterable[str]) -> Markup:
    """Return a text in each of `SYSTEMS`, each marked with its own."""
    each = zip(SYSTEMS, texts, strict=True)
    return Markup("").join(Markup('<span class="in-{}">{}</span>').format(say.units, text) for say, text in each)


def both(words: Callable[[Amounts], str]) -> Markup:
    """Return what is said in each unit system, each marked with its own."""
    return marked(words(say) for say in SYSTEMS)


def volume(litres: float) -> Markup:
    """Return a volume with its unit."""
    return both(lambda say: say.volume(litres))


def total(litres: float) -> Markup:
    """Return a volume to the tenth, with its unit."""
    return both(lambda say: say.tenths(litres))


def volume_range(low_l: float, high_l: float) -> Markup:
    """Return the bounds of a volume with their unit."""
    return both(lambda say: f"{' to '.join(plain_pair(say.number(low_l), say.number(high_l)))} {say.unit}")


def small_volume(litres: float) -> Markup:
    """Return a volume with three digits that count, with its unit."""
    return both(lambda say: f"{plain(say.number(litres))} {say.unit}")


def flow(lpm: float) -> Markup:
    """Return a flow with its unit."""
    return both(lambda say: say.flow(lpm))


def flow_range(low_lpm: float, high_lpm: float) -> Markup:
    """Return the bounds of a flow with their unit."""
    return both(lambda say: say.flow_range(low_lpm, high_lpm))
