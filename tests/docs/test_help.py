"""The help of the command line: every command has examples, they all run, and the shell can complete them."""

import gzip
import itertools
import os
import re
import shutil
import subprocess
import sys

import pytest
from tests.docs.blocks import run_command
from tests.docs.conftest import TOP

import flowsift as fs
from flowsift.cli.app import app
from flowsift.cli.examples import EXAMPLES
from flowsift.study.tariff import example_tariff_text

HOME = TOP / "data" / "synthetic" / "demo" / "trace.csv.gz"


@pytest.fixture
def own_files(folder):
    """The files that the examples name, those that other examples write among them."""
    (folder / "homes").mkdir()
    with gzip.open(HOME, "rt", encoding="utf-8") as rows:
        week = "".join(itertools.islice(rows, 1 + 8 * 17_280))
    for name in ("meter.csv", "before.csv", "after.csv", "homes/a.csv"):
        (folder / name).write_text(week, encoding="utf-8")
    shutil.copy(TOP / "data" / "synthetic" / "coarse" / "trace.csv.gz", folder / "homes" / "b.csv.gz")
    steps = (TOP / "docs" / "forms" / "steps.csv").read_text(encoding="utf-8")
    (folder / "steps.csv").write_text(steps.replace("06-19", "06-13"), encoding="utf-8")
    (folder / "tariff.toml").write_text(example_tariff_text(), encoding="utf-8")
    (folder / "samples.csv").write_text("2024-06-24T06:00:00Z,0\n2024-06-24T06:00:05Z,0.5\n", encoding="utf-8")
    return folder


FIRST = {
    "watch": ("flowsift learn meter.csv -o home.json",),
    "rank": tuple(f"flowsift score -m {name} -s quick --homes 1 -o runs/{name}" for name in ("floor", "empty")),
}
"""What has to have run before the examples of a command."""


@pytest.mark.usefixtures("answers_kept", "own_files")
@pytest.mark.parametrize("command", EXAMPLES)
def test_examples_run(command):
    for line in (*FIRST.get(command, ()), *EXAMPLES[command]):
        assert line.startswith("flowsift ")
        status, output = run_command(line)
        assert status == 0, f"{line}\n{output}"


def test_every_command_shows_its_examples():
    names = {one.name or one.callback.__name__ for one in app.registered_commands}
    assert names == set(EXAMPLES)
    for command, lines in EXAMPLES.items():
        _, output = run_command(f"flowsift {command} --help")
        for line in lines:
            assert f"  {line}\n" in output


@pytest.mark.parametrize("command", EXAMPLES)
def test_help_says_what_a_value_is_in_our_words(command):
    _, output = run_command(f"flowsift {command} --help")
    assert re.findall(r"--[a-z-]+ <[^|>]*>", output) == [], "an option without a metavar shows a type of Python"


def test_the_version_is_told():
    assert run_command("flowsift --version") == (0, f"flowsift {fs.__version__}\n")


def test_the_shell_completes_commands():
    asked = {"_FLOWSIFT_COMPLETE": "complete_bash", "COMP_WORDS": "flowsift fl", "COMP_CWORD": "1"}
    code = "from flowsift.cli import main; main([])"
    ended = subprocess.run(
        [sys.executable, "-c", code], env=os.environ | asked, capture_output=True, text=True, check=False, timeout=120
    )
    assert ended.returncode == 0
    assert set(ended.stdout.split()) == {"flushes", "fleet"}
