"""The account's figures to a tenth, as text and page show them: each column adds up to its total."""

from __future__ import annotations

from dataclasses import dataclass

from flowsift.amounts import Amounts
from flowsift.digits import round_to_sum
from flowsift.labels import UNEXPLAINED
from flowsift.report.account import Account, UseLine, percentages


@dataclass(frozen=True, kw_only=True)
class RoundedUse:
    """One shown line of the account.

    Attributes
    ----------
    use : UseLine
    volume, daily : float
        In all and a day, in the unit of volume.
    share : float
        Of the whole [%].
    """

    use: UseLine
    volume: float
    daily: float
    share: float


def rounded_uses(account: Account, say: Amounts) -> list[RoundedUse]:
    """Return the lines that have a volume, and the unexplained one; each of their columns adds up as it is shown."""
    shown = [use for use in account.uses if use.volume_l > 0 or use.label == UNEXPLAINED]
    volumes = round_to_sum((say.number(use.volume_l) for use in shown), total=say.number(account.metered_l), decimals=1)
    daily = round_to_sum((say.number(use.per_day_l) for use in shown), total=say.number(account.per_day_l), decimals=1)
    shares = percentages(shown)
    return [
        RoundedUse(use=use, volume=volume, daily=day, share=shares[use.label])
        for use, volume, day in zip(shown, volumes, daily, strict=True)
    ]
