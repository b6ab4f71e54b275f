"""The public names of flowsift, found in the code: what `public_api.txt` lists and the reference describes.

``python docs/public_names.py > docs/public_api.txt`` writes the list anew after a change that is meant.
"""

import inspect
from collections.abc import Iterator
from importlib import import_module
from typing import Any

MODULES = (
    "flowsift",
    "flowsift.study",
    "flowsift.plot",
    "flowsift.stream",
    "flowsift.fleet",
    "flowsift.standards",
    "flowsift.households",
)
"""Modules whose `__all__` is public."""

FOR_METHODS = (
    "flowsift.classify.estimators.UseClassifier",
    "flowsift.classify.estimators.UseDescriber",
    "flowsift.disaggregation.Shares",
    "flowsift.disaggregation.TrickleSpans",
    "flowsift.disaggregation.assemble",
    "flowsift.disaggregation.from_uses",
    "flowsift.evaluate.contract.check_method",
    "flowsift.evaluate.suites.training_homes",
    "flowsift.tables.Table",
)
"""Names beside those, for authors of methods."""


def names_of(module: str) -> list[str]:
    """Return the public names of a module but for rooms; ``flowsift.methods`` stands for `FOR_METHODS`."""
    if module == "flowsift.methods":
        return list(FOR_METHODS)
    face = import_module(module)
    found = [n for n in sorted(face.__all__) if n != "__version__" and not inspect.ismodule(getattr(face, n))]
    return [f"{module}.{name}" for name in found]


def found_by(name: str) -> Any:
    """Return what a full name stands for."""
    module, _, last = name.rpartition(".")
    return getattr(import_module(module), last)


def members_of(kind: type) -> Iterator[tuple[str, Any]]:
    """Yield the public methods and properties that a class defines itself, by name."""
    for name in sorted(vars(kind)):
        member = inspect.getattr_static(kind, name)
        # What scikit-learn hangs on every estimator of its form is its own.
        if type(member).__module__.startswith("sklearn."):
            continue
        if not name.startswith("_") and (inspect.isroutine(member) or hasattr(member, "__get__")):
            yield name, member


def listed() -> Iterator[str]:
    """Yield one line a public name, with parameters and defaults."""
    for module in (*MODULES, "flowsift.methods"):
        for name in names_of(module):
            thing = found_by(name)
            yield name + _parameters(thing)
            if inspect.isclass(thing):
                for last, member in members_of(thing):
                    yield f"{name}.{last}" + _parameters(getattr(member, "__func__", member))


def _parameters(thing: Any) -> str:
    if not callable(thing) or (inspect.isclass(thing) and issubclass(thing, BaseException)):
        return ""
    try:
        signature = inspect.signature(thing)
    except (TypeError, ValueError):
        return ""
    bare = [p.replace(annotation=inspect.Parameter.empty) for p in signature.parameters.values()]
    return str(signature.replace(parameters=bare, return_annotation=inspect.Signature.empty))


if __name__ == "__main__":
    print("\n".join(listed()))
