"""Where the volume that was fed went so far."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, kw_only=True)
class LiveBalance:
    """Settled volume and its parts; ``metered_l == events_l + trickle_l + unexplained_l + open_l``.

    Attributes
    ----------
    metered_l : float
        Volume of all cells that late rows can't change any more [L].
    events_l, trickle_l, unexplained_l : float
        Its parts [L]; events still waiting for their label are counted.
    open_l : float
        What is not explained yet: the flow of the stretch that is open [L].
    gap_s : float
        Time without data [s].

    Examples
    --------
    >>> from flowsift.households import read_shipped
    >>> from flowsift.stream import Sifter, learn_home
    >>> home = learn_home(read_shipped("demo").trace)
    >>> sifter = Sifter(home)
    >>> _ = sifter.feed(["2024-06-24T06:00:00Z", "2024-06-24T06:00:05Z"], [0.0, 0.4])
    >>> _ = sifter.finish()
    >>> round(sifter.balance.metered_l, 2)
    0.4
    """

    metered_l: float
    events_l: float
    trickle_l: float
    unexplained_l: float
    open_l: float
    gap_s: float
