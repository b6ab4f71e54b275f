"""Methods that go wrong, given to the runner as module:attribute."""

from __future__ import annotations

import os

from flowsift.disaggregation import Disaggregation
from flowsift.evaluate.references import EmptyMethod
from flowsift.methods.floor import FloorMethod
from flowsift.trace import Trace


class FailsOnBigHomes(FloorMethod):
    largest_l = 1_500.0

    def disaggregate(self, trace: Trace) -> Disaggregation:
        if trace.metered_l > self.largest_l:
            raise ZeroDivisionError("too much water")
        return super().disaggregate(trace)


class Dies(EmptyMethod):
    def disaggregate(self, trace: Trace) -> Disaggregation:  # noqa: ARG002
        os._exit(3)


class MakesWater(FloorMethod):
    def disaggregate(self, trace: Trace) -> Disaggregation:
        answer = super().disaggregate(trace)
        object.__setattr__(answer.shares, "volume_l", answer.shares.volume_l * 2.0)
        return answer


class Writes(FloorMethod):
    def disaggregate(self, trace: Trace) -> Disaggregation:
        trace.volume_l[:] = 0.0
        return super().disaggregate(trace)


class Interrupted(FloorMethod):
    calls = 0

    def disaggregate(self, trace: Trace) -> Disaggregation:
        type(self).calls += 1
        if type(self).calls == 3:
            raise KeyboardInterrupt
        return super().disaggregate(trace)
