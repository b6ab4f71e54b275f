"""Classes of flush volume by the toilet's age, and the effective volume of a dual flush."""

from __future__ import annotations

from dataclasses import dataclass

from flowsift.standards.figures import Figure, figure

_CLASSES = (
    ("dual flush, reduced", "dual flush", "toilet.dual_flush_reduced_typical"),
    ("1.28 gpf", "high efficiency, from 2007", "toilet.flush_limit_high_efficiency.gal_per_flush"),
    ("1.6 gpf", "from 1994", "toilet.flush_limit_gravity_tank"),
    ("3.5 gpf", "1980 to 1994", "toilet.flush_volume_made_1980_to_1994.nh_des"),
    ("5 gpf", "1950 to 1980", "toilet.flush_volume_made_1950_to_1980"),
    ("7 gpf", "before 1950", "toilet.flush_volume_made_before_1950"),
)


@dataclass(frozen=True, kw_only=True)
class FlushClass:
    """Toilets of one nominal flush volume.

    Attributes
    ----------
    name : str
        Name by its nominal volume in gallons, as it is marked on US toilets.
    era : str
        When toilets of this class were made.
    nominal_l : float
        Nominal volume of a flush [L]; what a toilet really takes is often more (a worn or mis-set fill).
    figure : Figure
        The published figure it comes from.

    Examples
    --------
    >>> from flowsift.standards import nearest_flush_class
    >>> nearest_flush_class(6.2).name
    '1.6 gpf'
    """

    name: str
    era: str
    nominal_l: float
    figure: Figure


def flush_classes() -> tuple[FlushClass, ...]:
    """Return the classes of flush volume, smallest first.

    Examples
    --------
    >>> from flowsift.standards import flush_classes
    >>> nominal_l = [one.nominal_l for one in flush_classes()]
    >>> nominal_l == sorted(nominal_l)
    True
    """
    records = [(name, era, figure(key)) for name, era, key in _CLASSES]
    return tuple(FlushClass(name=n, era=era, nominal_l=record.value_l, figure=record) for n, era, record in records)


def nearest_flush_class(volume_l: float) -> FlushClass:
    """Return the class whose nominal volume is nearest in ratio to a measured flush.

    Parameters
    ----------
    volume_l : float
        Measured volume of a flush [L], > 0.

    Examples
    --------
    >>> from flowsift.standards import nearest_flush_class
    >>> nearest_flush_class(5.0).name
    '1.28 gpf'
    """
    return min(flush_classes(), key=lambda c: max(volume_l / c.nominal_l, c.nominal_l / volume_l))


def dual_flush_effective_l(*, reduced_l: float, full_l: float) -> float:
    """Return the effective volume of a dual flush: two reduced flushes and a full one, over three [L].

    The rule of 2007 (figure ``toilet.dual_flush_effective_volume``); from 2025 the full flush itself is limited.
    It is an average for rating: a trace of a dual-flush toilet shows the two volumes, not this one.

    Parameters
    ----------
    reduced_l, full_l : float
        Volume of the reduced and of the full flush [L].

    Returns
    -------
    float
        Volume [L].

    Examples
    --------
    >>> from flowsift.standards import dual_flush_effective_l
    >>> dual_flush_effective_l(reduced_l=3.0, full_l=6.0)
    4.0
    """
    return (2.0 * reduced_l + full_l) / 3.0
