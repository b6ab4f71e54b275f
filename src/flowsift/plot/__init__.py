"""Single pictures of an answer, each drawn on matplotlib axes that are given and returned (``report`` extra)."""

from flowsift.plot.draw import account, day, flushes, trace, trickle, week
from flowsift.plot.files import PICTURES, SUFFIXES, save_picture

__all__ = ["PICTURES", "SUFFIXES", "account", "day", "flushes", "save_picture", "trace", "trickle", "week"]
