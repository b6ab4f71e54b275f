"""What to know before going to a valve, a pit, a trench or a greywater line.

Short reminders of common practice. They defer to local codes, the water utility and licensed trades, and replace none.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from flowsift.errors import OptionError


@dataclass(frozen=True, kw_only=True)
class Caution:
    """One reminder.

    Attributes
    ----------
    text : str
        One or two plain sentences.
    basis : str
        The code, law or practice it comes from.
    """

    text: str
    basis: str


DEFERENCE = Caution(
    text="Local codes, the water utility and licensed trades come first; this is no substitute for any of them.",
    basis="common practice",
)
"""Ends every list of cautions."""

CAUTIONS: Mapping[str, Caution] = MappingProxyType(
    {
        "sprinklers": Caution(
            text="The main may also feed fire sprinklers. Find out before closing it; keep any closing short and "
            "attended.",
            basis="NFPA 13D sec. 6.3.4 (warning sign at the main valve)",
        ),
        "heater": Caution(
            text="If the main stays shut or pipes are drained, turn the water heater off first, and on again only when "
            "its tank is full.",
            basis="common practice",
        ),
        "valve": Caution(
            text="Old valves seize and fast ones hammer: turn slowly, and never force one.",
            basis="common practice",
        ),
        "meter": Caution(
            text="Meter, its box and the curb stop usually belong to the utility: read them, do not work them. Lift "
            "the lid with a tool and gloves, look first, put it back.",
            basis="usual rules of water utilities",
        ),
        "pit": Caution(
            text="Do not enter a pit or vault: it is a confined space (bad air, flooding, live boxes).",
            basis="common practice; confined-space rules",
        ),
        "dig": Caution(
            text="Before digging, have lines marked (811 in the United States, free, some working days ahead). Private "
            "lines are not marked; dig by hand near a mark.",
            basis="state one-call laws",
        ),
        "electricity": Caution(
            text="Water near wiring may be live: keep out of wet rooms and off wet ground near electrical gear until "
            "it is off, switched at a dry place.",
            basis="common practice; extension service advice on flooding",
        ),
        "hot water": Caution(
            text="Hot taps scald: at 60 C (140 F) in seconds. Measure with cold water.",
            basis="safety commission advice of 49 C (120 F), as reported",
        ),
        "dye": Caution(
            text="Flush right after a dye test; dye stains.",
            basis="common practice",
        ),
        "cross-connection": Caution(
            text="Never leave a hose end under water or on a sprayer without a vacuum breaker; irrigation needs a "
            "working backflow preventer.",
            basis="plumbing codes on cross-connections",
        ),
        "greywater": Caution(
            text="Greywater: no link of any kind to drinking water; a labelled valve back to the sewer; under mulch, "
            "rock or soil; no spray, ponding or runoff; keep people and pets off. Most systems need a permit.",
            basis="California Plumbing Code ch. 16A, as printed by cities and counties",
        ),
        "greywater sources": Caution(
            text="Not from toilets, urinals, kitchen sinks or dishwashers; no diaper or infectious laundry; no "
            "hazardous chemicals.",
            basis="California Plumbing Code ch. 16A; IPC 2012 ch. 13 (permitted sources)",
        ),
        "greywater storage": Caution(
            text="Stored greywater turns septic: use it within a day, at most within the local limit, from a closed "
            "tank.",
            basis="IPC Appendix C (72 h); 24 h as a design goal",
        ),
    }
)
"""Reminders by subject."""


def cautions(subjects: Iterable[str]) -> tuple[Caution, ...]:
    """Return the reminders of some subjects, in the order of `CAUTIONS`, with `DEFERENCE` at the end.

    Raises
    ------
    OptionError
        If a subject is unknown (the message lists the known ones).
    """
    wanted = set(subjects)
    unknown = sorted(wanted - CAUTIONS.keys())
    if unknown:
        raise OptionError(f"unknown subject {unknown[0]!r}; known subjects: {', '.join(CAUTIONS)}")
    return (*(caution for subject, caution in CAUTIONS.items() if subject in wanted), DEFERENCE)
