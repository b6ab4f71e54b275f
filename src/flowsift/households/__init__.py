"""Simulated homes with complete ground truth, for evaluation and demonstration."""

from flowsift.households.fixtures.leaks import Trickle
from flowsift.households.simulate import Household, simulate
from flowsift.households.truth import CellVolumes, Truth, TruthShares

__all__ = ["CellVolumes", "Household", "Trickle", "Truth", "TruthShares", "simulate"]
