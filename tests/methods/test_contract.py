"""Every shipped method keeps the contract, and the contract notices methods that don't."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from flowsift.disaggregation import Disaggregation
from flowsift.errors import OptionError
from flowsift.evaluate.contract import broken_invariant, check_method, contract_traces
from flowsift.evaluate.method import LabelsEvents, Method
from flowsift.evaluate.references import EmptyMethod, Oracle
from flowsift.evaluate.registry import known_methods
from flowsift.methods.change_points import ChangePointMethod
from flowsift.methods.floor import FloorMethod
from flowsift.methods.hidden_markov import HiddenMarkovMethod
from flowsift.methods.own import FlowsiftMethod
from flowsift.methods.supervised import SupervisedMethod
from flowsift.trace import Trace


def change_points() -> Method:
    pytest.importorskip("ruptures", reason="not installed")
    return ChangePointMethod()


def hidden_markov() -> Method:
    pytest.importorskip("hmmlearn", reason="not installed")
    return HiddenMarkovMethod(n_homes=1)


METHODS: dict[str, Callable[[], Method]] = {
    "flowsift": FlowsiftMethod,
    "floor": FloorMethod,
    "change-points": change_points,
    "supervised": lambda: SupervisedMethod(n_homes=2),
    "hmm": hidden_markov,
    "empty": EmptyMethod,
}


def test_no_shipped_method_is_left_out() -> None:
    shipped = {name for name, entry in known_methods().items() if entry.value.startswith("flowsift.")}
    assert shipped == {*METHODS, "oracle"}
    assert isinstance(Oracle(), Method)


@pytest.mark.parametrize("name", METHODS)
def test_method_keeps_the_contract(name: str) -> None:
    check_method(METHODS[name]())


@pytest.mark.parametrize(
    ("method", "package", "module"),
    [(ChangePointMethod, "ruptures", "ruptures"), (HiddenMarkovMethod, "hmmlearn", "hmmlearn.hmm")],
)
def test_a_package_that_is_missing_is_named(
    method: Callable[[], Method], package: str, module: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, module, None)
    with pytest.raises(OptionError, match=rf"needs {package}: pip install '?(flowsift\[bench\]|{package})"):
        method()


class Wrong(FloorMethod):
    """A method whose answer is spoilt."""

    def __init__(self, spoil: Callable[[Disaggregation], Disaggregation]) -> None:
        self.spoil = spoil

    def disaggregate(self, trace: Trace) -> Disaggregation:
        answer = super().disaggregate(trace)
        return self.spoil(answer) if len(answer.events) else answer


def shares(answer: Disaggregation, factor: float) -> Disaggregation:
    return replace(answer, shares=replace(answer.shares, volume_l=answer.shares.volume_l * factor))


SPOILT: dict[str, Callable[[Disaggregation], Disaggregation]] = {
    "more than was metered": lambda a: shares(a, 1.1),
    "a volume is negative": lambda a: shares(a, -1.0),
    "not finite": lambda a: shares(a, np.nan),
    "not sorted": lambda a: replace(a, events=a.events.iloc[::-1]) if len(a.events) > 1 else a,
    "unknown label": lambda a: replace(a, events=a.events.assign(label="sauna")),
    "has no fixture": lambda a: replace(a, events=a.events.assign(fixture=None)),
    "not between 0 and 1": lambda a: replace(a, events=a.events.assign(probability=1.5)),
    "ends no later": lambda a: replace(a, events=a.events.assign(end=a.events["start"])),
    "outside the trace": lambda a: replace(a, events=a.events.assign(end=a.events["end"] + np.timedelta64(9, "D"))),
    "another trace": lambda a: replace(a, trace=replace(a.trace, volume_l=a.trace.volume_l * 2.0)),
}


@pytest.mark.parametrize("problem", SPOILT)
def test_contract_notices(problem: str) -> None:
    with pytest.raises(AssertionError, match=problem):
        check_method(Wrong(SPOILT[problem]))


def test_contract_notices_a_method_that_is_not_deterministic() -> None:
    rng = np.random.default_rng(1)
    moody = Wrong(lambda a: replace(a, events=a.events.assign(probability=rng.uniform(size=len(a.events)))))
    with pytest.raises(AssertionError, match="another answer"):
        check_method(moody)


def test_contract_notices_a_method_that_changes_the_trace() -> None:
    class Careless(FloorMethod):
        def disaggregate(self, trace: Trace) -> Disaggregation:
            trace.volume_l[:] = trace.volume_l[::-1].copy()
            return super().disaggregate(trace)

    with pytest.raises(AssertionError, match="changed the trace"):
        check_method(Careless())


def test_what_is_no_answer_is_said() -> None:
    _, trace = next(contract_traces())
    assert broken_invariant(None, trace) == "expected a Disaggregation, got NoneType"  # type: ignore[arg-type]


@pytest.mark.parametrize("name", ["flowsift", "floor", "supervised", "hmm"])
def test_methods_that_label_true_cuts_say_so(name: str) -> None:
    assert isinstance(METHODS[name](), LabelsEvents)
