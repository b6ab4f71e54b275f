"""Methods that go wrong, given to the runner as module:attribute."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace

import pandas as pd

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


class ForgetsCycles(EmptyMethod):
    def disaggregate(self, trace: Trace) -> Disaggregation:
        answer = FloorMethod().disaggregate(trace)
        return replace(answer, events=answer.events.drop(columns="cycle"))


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


class NoWeights(EmptyMethod):
    def prepare(self) -> None:
        raise FileNotFoundError("no weights")


class LabelsOneHome(FloorMethod):
    def __init__(self) -> None:
        self.asked = 0

    def label_events(self, trace: Trace, uses: pd.DataFrame) -> Sequence[str]:
        self.asked += 1
        if self.asked > 1:
            raise ZeroDivisionError("no more labels")
        return super().label_events(trace, uses)


class WantsArguments(EmptyMethod):
    def __init__(self, weights: str) -> None:
        self.weights = weights
