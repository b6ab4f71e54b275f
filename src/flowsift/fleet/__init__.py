"""Many homes at once: `find_homes`, `run_fleet` and `read_answers`."""

from flowsift.fleet.answers import read_answers
from flowsift.fleet.run import FleetRun, run_fleet
from flowsift.fleet.source import FleetSource, find_homes
from flowsift.fleet.work import Outcome

__all__ = ["FleetRun", "FleetSource", "Outcome", "find_homes", "read_answers", "run_fleet"]
