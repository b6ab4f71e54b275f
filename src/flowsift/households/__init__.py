"""Simulated homes with complete ground truth, for evaluation and demonstration."""

from flowsift.households.fixtures.leaks import Trickle
from flowsift.households.household import Household
from flowsift.households.simulate import simulate
from flowsift.households.truth import CellVolumes, Truth, TruthShares

__all__ = ["CellVolumes", "Household", "Trickle", "Truth", "TruthShares", "simulate"]
