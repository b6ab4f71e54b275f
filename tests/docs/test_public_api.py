"""The public list says what the code has, and every public name is described with an example that runs."""

import doctest
import inspect
import io
import re
import sys

import pytest
from tests.docs.blocks import LENIENT
from tests.docs.conftest import TOP

sys.path.insert(0, str(TOP / "docs"))

import public_names

NAMES = [name for module in (*public_names.MODULES, "flowsift.methods") for name in public_names.names_of(module)]
DESCRIBED = {name: public_names.found_by(name) for name in NAMES if callable(public_names.found_by(name))}
METHODS = {
    f"{name}.{last}": member
    for name, kind in DESCRIBED.items()
    if inspect.isclass(kind)
    for last, member in public_names.members_of(kind)
}


def test_the_public_list_is_true():
    written = (TOP / "docs" / "public_api.txt").read_text(encoding="utf-8").splitlines()
    found = list(public_names.listed())
    gone, new = sorted(set(written) - set(found)), sorted(set(found) - set(written))
    assert (gone, new) == ([], []), (
        "the public names changed: if that is meant, run `python docs/public_names.py > docs/public_api.txt`, "
        "say it in docs/changelog.md, and keep what is gone as docs/changelog.md promises"
    )


@pytest.mark.parametrize("name", [*DESCRIBED, *METHODS])
def test_every_public_name_is_described(name):
    thing = (DESCRIBED | METHODS)[name]
    assert (inspect.getdoc(getattr(thing, "__func__", thing)) or "").strip()


@pytest.mark.parametrize("name", DESCRIBED)
def test_every_public_name_has_an_example(name):
    assert "\nExamples\n--------\n>>> " in inspect.getdoc(DESCRIBED[name])


@pytest.mark.parametrize("name", [name for name, thing in DESCRIBED.items() if inspect.isfunction(thing)])
def test_every_parameter_is_described(name):
    function = DESCRIBED[name]
    text = inspect.getdoc(function)
    described = text.partition("\nParameters\n")[2].partition("\nReturns\n")[0]
    for parameter in inspect.signature(function).parameters:
        entry = rf"^(\*{{0,2}}\w+, )*\*{{0,2}}{parameter}(, \w+)*( :|$)"
        named = re.search(entry, described, flags=re.MULTILINE)
        assert named or "arameters as in" in text or "arameters of" in text, parameter


@pytest.mark.parametrize("name", [name for name, thing in DESCRIBED.items() if inspect.isfunction(thing)])
def test_errors_are_described(name):
    function = DESCRIBED[name]
    assert "raise " not in inspect.getsource(function) or "\nRaises\n------\n" in inspect.getdoc(function)


@pytest.mark.usefixtures("answers_kept", "folder")
@pytest.mark.parametrize("name", [name for name in (DESCRIBED | METHODS) if name])
def test_examples_run(name):
    thing = (DESCRIBED | METHODS)[name]
    text = inspect.getdoc(getattr(thing, "__func__", thing)) or ""
    module = sys.modules[DESCRIBED.get(name, DESCRIBED.get(name.rpartition(".")[0])).__module__]
    test = doctest.DocTestParser().get_doctest(text, dict(vars(module)), name, None, 0)
    said = io.StringIO()
    doctest.DocTestRunner(optionflags=LENIENT, verbose=False).run(test, out=said.write)
    assert said.getvalue() == ""
