"""The lines of the account as the page shows them, in litres and in gallons."""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from flowsift.report.account import Account, UseLine
from flowsift.report.page.amounts import SYSTEMS, marked
from flowsift.report.rounded import rounded_uses


@dataclass(frozen=True, kw_only=True)
class UseShown:
    """One line.

    Attributes
    ----------
    use : UseLine
    volume, daily : Markup
        In all and a day.
    share : str
        Of the whole.
    """

    use: UseLine
    volume: Markup
    daily: Markup
    share: str


def uses_shown(account: Account) -> tuple[UseShown, ...]:
    """Return the lines in the account's order; in either unit system the volumes add up to the total as shown."""
    return tuple(
        UseShown(
            use=lines[0].use,
            volume=marked(say.tenth(line.volume) for say, line in zip(SYSTEMS, lines, strict=True)),
            daily=marked(say.tenth(line.daily) for say, line in zip(SYSTEMS, lines, strict=True)),
            share=f"{lines[0].share:.1f} %",
        )
        for lines in zip(*(rounded_uses(account, say) for say in SYSTEMS), strict=True)
    )
