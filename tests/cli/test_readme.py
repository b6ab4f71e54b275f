"""README: its Python runs, and its commands are two lines that set themselves up."""

import re
import subprocess
import sys
from pathlib import Path

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")


def test_the_python_runs(tmp_path):
    (block,) = re.findall(r"```python\n(.*?)```", README, flags=re.DOTALL)
    ended = subprocess.run(
        [sys.executable, "-W", "error", "-c", block],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
    )
    assert ended.returncode == 0, ended.stderr
    assert "Disaggregation(" in ended.stdout
    assert "toilet-1" in ended.stdout
    assert "Balance(metered_l=" in ended.stdout


def test_the_answer_shown_is_that_of_the_demo(run):
    # Headings and the metered volume, which don't move with the last digit of a numerical library.
    (shown,) = re.findall(r"```text\n(.*?)```", README, flags=re.DOTALL)
    answered = run("demo").out
    assert headings(shown) == headings(answered)
    assert shown.splitlines()[:4] == answered.splitlines()[:4]


def headings(text):
    return [line for line in text.splitlines() if line and not line.startswith(" ")]


def test_two_commands_set_themselves_up():
    commands = re.findall(r"^    (python3 -m venv .*)$", README, flags=re.MULTILINE)
    assert len(commands) == 2
    for command in commands:
        assert command.startswith("python3 -m venv .venv && .venv/bin/pip install -q ")
    assert commands[0].endswith("/flowsift demo")
    assert "-m pytest" in commands[1]


def test_links_lead_to_files():
    for target in re.findall(r"\]\(([^)#]+)\)", README):
        assert (Path(__file__).parents[2] / target).exists()
