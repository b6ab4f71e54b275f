"""Live: one home's samples in as they arrive, settled events, alerts and changes of the trickle out."""

from flowsift.stream.balance import LiveBalance
from flowsift.stream.clockwork import Settled
from flowsift.stream.home import LearnedHome, learn_home
from flowsift.stream.home_json import home_from_json, home_to_json
from flowsift.stream.notices import Alert, Notice, SettledEvent, TrickleChange
from flowsift.stream.sifter import Sifter
from flowsift.stream.whole import disaggregate_known, sift_whole

__all__ = [
    "Alert",
    "LearnedHome",
    "LiveBalance",
    "Notice",
    "Settled",
    "SettledEvent",
    "Sifter",
    "TrickleChange",
    "disaggregate_known",
    "home_from_json",
    "home_to_json",
    "learn_home",
    "sift_whole",
]
