"""Simulated homes with complete ground truth, for evaluation and demonstration."""

from flowsift.households.diary import walk_labels
from flowsift.households.faults import COMMON, HARSH, Faults
from flowsift.households.fixtures.leaks import Trickle
from flowsift.households.focused import hard_home, leak_home, overlap_home
from flowsift.households.household import Household
from flowsift.households.shipped import SHIPPED, read_shipped, shipped_folder, write_shipped
from flowsift.households.simulate import simulate
from flowsift.households.truth import CellVolumes, Truth, TruthShares

__all__ = [
    "COMMON",
    "HARSH",
    "SHIPPED",
    "CellVolumes",
    "Faults",
    "Household",
    "Trickle",
    "Truth",
    "TruthShares",
    "hard_home",
    "leak_home",
    "overlap_home",
    "read_shipped",
    "shipped_folder",
    "simulate",
    "walk_labels",
    "write_shipped",
]
