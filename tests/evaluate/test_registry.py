"""Methods by name."""

from __future__ import annotations

import sys
from importlib.metadata import EntryPoint
from pathlib import Path

import pytest

from flowsift.errors import OptionError
from flowsift.evaluate import registry
from flowsift.evaluate.references import EmptyMethod
from flowsift.evaluate.registry import known_methods, load_method

SHIPPED = {"flowsift", "floor", "change-points", "supervised", "hmm", "empty", "oracle"}


class FakeDistribution:
    def __init__(self, name: str) -> None:
        self.name = name
        self.metadata = {"Name": name}


def entry(name: str, value: str, package: str) -> EntryPoint:
    made = EntryPoint(name, value, registry.GROUP)
    vars(made)["dist"] = FakeDistribution(package)
    return made


def test_shipped_methods_are_announced() -> None:
    assert set(known_methods()) >= SHIPPED


def test_nothing_is_imported_before_it_is_asked_for(monkeypatch: pytest.MonkeyPatch) -> None:
    broken = entry("broken", "no_such_module:Method", "somebody")
    monkeypatch.setattr(registry, "entry_points", lambda group: [broken] if group == registry.GROUP else [])
    assert list(known_methods()) == ["broken"]
    with pytest.raises(OptionError, match="can't load method 'broken': No module named 'no_such_module'"):
        load_method("broken")


def test_two_claims_on_one_name_name_both_packages(monkeypatch: pytest.MonkeyPatch) -> None:
    claims = [entry("mine", "a:Method", "package-a"), entry("mine", "b:Method", "package-b")]
    monkeypatch.setattr(registry, "entry_points", lambda group: claims)  # noqa: ARG005
    with pytest.raises(OptionError, match=r"package-a \(a:Method\).*package-b \(b:Method\)"):
        load_method("mine")


def test_an_unknown_name_lists_the_known_ones() -> None:
    with pytest.raises(OptionError, match=r"unknown method 'flor'; known methods: .*floor.*oracle"):
        load_method("flor")


def test_module_and_attribute() -> None:
    assert isinstance(load_method("flowsift.evaluate.references:EmptyMethod"), EmptyMethod)


def test_a_module_in_the_current_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "path", [place for place in sys.path if place not in ("", str(Path.cwd()))])
    (tmp_path / "lying_here.py").write_text("from flowsift.evaluate.references import EmptyMethod as Mine\n")
    monkeypatch.chdir(tmp_path)
    assert isinstance(load_method("lying_here:Mine"), EmptyMethod)


@pytest.mark.parametrize(
    ("name", "problem"),
    [
        ("flowsift.evaluate.references:Nothing", "can't load"),
        ("no.such.module:x", "can't load"),
        ("flowsift.units:L_PER_GAL", "has no disaggregate"),
        ("tests.evaluate.failing:WantsArguments", "'weights' \\(a class or factory is called without arguments"),
    ],
)
def test_what_can_not_be_loaded_is_one_clear_error(name: str, problem: str) -> None:
    with pytest.raises(OptionError, match=problem):
        load_method(name)
