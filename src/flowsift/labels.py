"""The labels an event can carry."""

from __future__ import annotations

LABELS: tuple[str, ...] = (
    "flush",
    "shower",
    "bathtub",
    "faucet",
    "clothes_washer",
    "dishwasher",
    "irrigation",
    "hose",
    "softener",
    "cooler",
    "pool_fill",
    "toilet_leak",
    "other",
)
"""Labels of events, in the order that tables use."""

TRICKLE = "trickle"
"""Name of the constant flow under everything."""

UNEXPLAINED = "unexplained"
"""Name of the metered volume that no event and no trickle accounts for."""

PARTS: tuple[str, ...] = (*LABELS, TRICKLE, UNEXPLAINED)
"""What the metered volume is made of."""

FIXTURE_STEM: dict[str, str] = {
    "flush": "toilet",
    "shower": "shower",
    "bathtub": "bathtub",
    "faucet": "faucet",
    "clothes_washer": "clothes-washer",
    "dishwasher": "dishwasher",
    "irrigation": "zone",
    "hose": "hose",
    "softener": "softener",
    "cooler": "cooler",
    "pool_fill": "pool-fill",
    "toilet_leak": "toilet",
    "other": "other",
}
"""First part of a fixture's name by the label of its events: ``toilet-1``, ``zone-3``."""

LABEL_WORDS: dict[str, str] = {
    "flush": "toilet flush",
    "clothes_washer": "clothes washer",
    "cooler": "evaporative cooler",
    "pool_fill": "pool fill",
    "softener": "water softener",
    "toilet_leak": "toilet leak",
    TRICKLE: "trickle",
    UNEXPLAINED: "not explained",
}
"""Labels in plain words, where the word is not the label itself."""


def label_words(label: str) -> str:
    """Return a label in plain words: ``clothes washer``."""
    return LABEL_WORDS.get(label, label)
