"""The shape of the package: data flows one way, and nothing unsafe or hidden slips in."""

import ast
from pathlib import Path

import pytest

import flowsift as fs

PACKAGE = Path(fs.__file__).parent
MODULES = sorted(PACKAGE.rglob("*.py"))

LAYERS = (
    {"errors"},
    {"arrays", "digits", "units"},
    {"amounts", "files", "grouping", "labels", "neighbours", "tables"},
    {"quality"},
    {"ingest"},
    {"trace"},
    {"fixtures", "readers", "standards"},
    {"explanation"},
    {"disaggregation"},
    {"signal"},
    {"features"},
    {"surroundings"},
    {"classify"},
    {"pipeline"},
    {"__init__"},
    {"households", "study"},
    {"stream"},
    {"evaluate"},
    {"methods", "report"},
    {"fleet", "plot"},
    {"cli"},
)
"""Rooms of the package from upstream to downstream: a room imports only from layers before its own."""

APART = {
    "households": {"signal", "features", "classify", "pipeline", "standards", "study"},
    "signal": {"standards"},
    "features": {"standards"},
}
"""Rooms that a room must not import although the order would allow it: a made-up home that knew how it is recognised
would prove nothing, and signals are cut by their own shape, not by what is typical."""

UNSAFE_MODULES = {"pickle", "joblib", "dill", "cloudpickle", "shelve", "marshal"}
UNSAFE_CALLS = {"read_pickle", "eval", "exec"}


def room_of(path):
    return path.relative_to(PACKAGE).with_suffix("").parts[0]


def tree_of(path):
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def imported_modules(tree):
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "imports are absolute here"
            if node.module == "flowsift":
                yield from (f"flowsift.{alias.name}" for alias in node.names)
            else:
                yield node.module


def imported_rooms(path):
    """Rooms that a module imports from; a name that is no room belongs to the face itself."""
    for name in imported_modules(tree_of(path)):
        if name.split(".")[0] == "flowsift":
            room = [*name.split("."), "__init__"][1]
            yield room if room in ROOMS else "__init__"


ROOMS = {room_of(path) for path in MODULES}


def layer_of(room):
    for number, rooms in enumerate(LAYERS):
        if room in rooms:
            return number
    pytest.fail(f"{room!r} is a new room: give it its place in LAYERS")


def ids(paths):
    return [str(path.relative_to(PACKAGE)) for path in paths]


def test_every_room_has_its_place_and_every_place_its_room():
    placed = [room for rooms in LAYERS for room in rooms]
    assert sorted(placed) == sorted(ROOMS)


def test_the_package_is_found():
    assert len(MODULES) > 20
    assert {"trace", "signal", "classify", "standards"} <= {room_of(path) for path in MODULES}


FACE = PACKAGE / "__init__.py"
"""Points at every room by name and imports none of them itself; see the test of that."""

ROOMS_BUT_THE_FACE = [path for path in MODULES if path != FACE]


@pytest.mark.parametrize("path", ROOMS_BUT_THE_FACE, ids=ids(ROOMS_BUT_THE_FACE))
def test_data_flows_one_way(path):
    room = room_of(path)
    upstream = {name for name in imported_rooms(path) if name != room}
    backward = sorted(name for name in upstream if layer_of(name) >= layer_of(room))
    assert backward == [], f"{room} is upstream of (or beside) what it imports"


def test_the_face_imports_no_room():
    imported_at_once = [node for node in tree_of(FACE).body if isinstance(node, ast.Import | ast.ImportFrom)]
    names = {name for name in imported_modules(ast.Module(imported_at_once, [])) if name.startswith("flowsift")}
    assert names == set()


PUBLISHED = {"recomposed", "varied"}
"""Modules of `households` that read the published ranges: homes to train on may leave the population, not the world."""


def test_rooms_that_must_not_meet():
    imports = {}
    for path in MODULES:
        rooms = set(imported_rooms(path)) - ({"standards"} if path.stem in PUBLISHED else set())
        imports.setdefault(room_of(path), set()).update(rooms)
    for room, others in APART.items():
        assert imports.get(room, set()) & others == set(), f"{room} imports"


@pytest.mark.parametrize("path", MODULES, ids=ids(MODULES))
def test_every_module_says_what_it_is(path):
    docstring = ast.get_docstring(tree_of(path))
    assert docstring, "a module docstring is missing"
    assert docstring.splitlines()[0].rstrip().endswith((".", ":", "?"))


@pytest.mark.parametrize("path", MODULES, ids=ids(MODULES))
def test_nothing_is_unpickled_or_evaluated(path):
    tree = tree_of(path)
    assert {name.split(".")[0] for name in imported_modules(tree)} & UNSAFE_MODULES == set()
    for node in ast.walk(tree):
        if isinstance(node, ast.Call):
            function = node.func
            called = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
            assert called not in UNSAFE_CALLS, f"line {node.lineno}"
            allowed = [k for k in node.keywords if k.arg == "allow_pickle" and getattr(k.value, "value", True)]
            assert allowed == [], f"line {node.lineno}"


@pytest.mark.parametrize("path", MODULES, ids=ids(MODULES))
def test_own_imports_stand_at_the_top(path):
    # An import inside a function would hide a cycle; optional extras are other people's packages.
    tree = tree_of(path)
    nested = [
        node.lineno
        for function in ast.walk(tree)
        if isinstance(function, ast.FunctionDef | ast.AsyncFunctionDef)
        for node in ast.walk(function)
        if isinstance(node, ast.Import | ast.ImportFrom)
        and any(name.split(".")[0] == "flowsift" for name in imported_modules(ast.Module([node], [])))
    ]
    assert nested == []


@pytest.mark.parametrize("path", [p for p in MODULES if room_of(p) != "cli"])
def test_only_the_command_line_talks(path):
    calls = [node for node in ast.walk(tree_of(path)) if isinstance(node, ast.Call)]
    assert [node.lineno for node in calls if getattr(node.func, "id", "") == "print"] == []


def test_the_package_is_typed():
    assert (PACKAGE / "py.typed").is_file()
