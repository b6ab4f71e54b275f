"""Every shipped method keeps the contract, and the contract notices methods that don't."""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from flowsift.disaggregation import Disaggregation, Shares, TrickleSpans, assemble
from flowsift.errors import OptionError
from flowsift.evaluate.contract import broken_invariant, check_method, contract_traces
from flowsift.evaluate.method import LabelsEvents, Method
from flowsift.evaluate.references import EmptyMethod, Oracle
from flowsift.evaluate.registry import known_methods
from flowsift.households import HARSH, Trickle, simulate
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


def answer(trace: Trace, *, events: list[tuple[int, int]], spans: list[tuple[int, int, float]]) -> Disaggregation:
    """Return an answer of events without water and spans of trickle, both in cells."""
    start, end = np.array(events, np.int64).reshape(-1, 2).T
    n, none = start.size, np.empty(0, np.int64)
    first, stop, rate = (np.array([span[k] for span in spans]) for k in range(3))
    return assemble(
        trace,
        start_cell=start,
        end_cell=end,
        label=["faucet"] * n,
        probability=np.ones(n),
        fixture=["faucet"] * n,
        cycle=np.full(n, -1),
        shares=Shares(event=none, flow=none, volume_l=np.empty(0)),
        trickle=TrickleSpans(
            start=first.astype(np.int64),
            end=stop.astype(np.int64),
            rate_lpm=rate,
            low_lpm=rate,
            high_lpm=0.9 + 0 * rate,
        ),
    )


@pytest.mark.parametrize(
    ("spans", "problem"),
    [
        ([(0, 10, -5.0)], "within its interval"),
        ([(0, 10, 1.0)], "within its interval"),
        ([(0, 10, np.nan)], "within its interval"),
        ([(10, 5, 0.5)], "ends no later"),
        ([(-10, 5, 0.5)], "outside the trace"),
        ([(50, 60, 0.5), (0, 10, 0.5)], "not sorted and disjoint"),
        ([(0, 10, 0.5), (9, 20, 0.5)], "not sorted and disjoint"),
        ([(0, 10, 0.5), (10, 20, 0.0)], ""),
    ],
)
def test_trickles_that_can_not_be_are_noticed(spans: list[tuple[int, int, float]], problem: str) -> None:
    _, trace = next(contract_traces())
    found = broken_invariant(answer(trace, events=[], spans=spans), trace)
    assert problem in found
    assert bool(problem) == bool(found)


def test_an_event_in_a_gap_is_noticed() -> None:
    class Guesses:
        def disaggregate(self, trace: Trace) -> Disaggregation:
            return answer(trace, events=[(first + 1, stop) for first, stop in trace.gaps[:1].tolist()], spans=[])

    with pytest.raises(AssertionError, match="missing data: an event lies in a gap"):
        check_method(Guesses())


@pytest.mark.parametrize("interval_s", [5.0, 3600.0])
def test_the_oracle_keeps_what_is_asked_of_an_answer(interval_s: float) -> None:
    leaks = [Trickle(rate_lpm=0.1, from_s=1e3, to_s=2e5), Trickle(rate_lpm=0.2, from_s=1e5 + 3, to_s=1e5 + 900)]
    home = simulate(3, days=4, interval_s=interval_s, faults=HARSH, leaks=leaks)
    assert broken_invariant(Oracle().answer(home.trace, home.truth), home.trace) == ""


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
