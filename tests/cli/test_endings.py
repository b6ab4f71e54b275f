"""How a run ends: status, one line on standard error, pipes and interruptions."""

import os
import subprocess
import sys

import pytest

import flowsift as fs

EVERY_OPTION = [
    "--events",
    "--fixtures",
    "--json",
    "--units",
    "--unit",
    "--kind",
    "--time-column",
    "--value-column",
    "--timezone",
    "--pulse",
    "--interval",
    "--absent",
    "--delimiter",
    "--decimal",
    "--day-first",
]


def test_version(run):
    ended = run("--version")
    assert (ended.status, ended.out, ended.err) == (0, f"flowsift {fs.__version__}\n", "")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("nothing",), "nothing"),
        (("account",), "FILE"),
        (("account", "x.csv", "--colour"), "--colour"),
        (("account", "x.csv", "--units", "imperial"), "imperial"),
        (("account", "x.csv", "--interval", "often"), "--interval"),
    ],
)
def test_wrong_usage_is_one_line_and_status_2(run, arguments, words):
    ended = run(*arguments)
    assert ended.status == 2
    assert ended.out == ""
    assert len(ended.err.splitlines()) == 1
    assert words in ended.err
    assert "Value error" not in ended.err


@pytest.mark.usefixtures("canned")
@pytest.mark.parametrize(
    ("error", "status", "words"),
    [
        (
            fs.InputError("found -3.2, expected a volume", file="m.csv", row=7, column="v"),
            2,
            'm.csv, row 7, column "v"',
        ),
        (fs.OptionError("unknown unit 'pt'"), 2, "unknown unit 'pt'"),
        (fs.NotEnoughDataError("too\nshort"), 2, "too short"),
        (FileNotFoundError(2, "No such file or directory", "m.csv"), 2, "m.csv: No such file"),
        (KeyError("volume"), 1, "internal error: KeyError"),
        (AssertionError(), 1, "internal error: AssertionError"),
    ],
)
def test_errors_are_one_line(run, monkeypatch, error, status, words):
    def fail(*_, **__):
        raise error

    monkeypatch.setattr(fs, "read_trace", fail)
    ended = run("account", "m.csv")
    assert ended.status == status
    assert ended.out == ""
    assert len(ended.err.splitlines()) == 1
    assert words in ended.err
    assert ("-v" in ended.err) == (status == 1)
    verbose = run("-v", "account", "m.csv")
    assert verbose.status == status
    assert "Traceback" in verbose.err
    assert words in verbose.err.splitlines()[-1]


@pytest.mark.usefixtures("canned")
def test_interruption_ends_quietly(run, monkeypatch):
    def interrupt(*_, **__):
        raise KeyboardInterrupt

    monkeypatch.setattr(fs, "read_trace", interrupt)
    ended = run("account", "m.csv")
    assert (ended.status, ended.out, ended.err) == (130, "", "")


def test_help_is_plain_text(run):
    ended = run("account", "--help")
    assert ended.status == 0
    for option in EVERY_OPTION:
        assert option in ended.out
    assert ended.out.isascii()
    assert max(map(len, ended.out.splitlines())) <= 80
    assert "account" in run("--help").out


def test_a_closed_pipe_ends_quietly():
    # The reading end of the pipe is closed before anything is written.
    reading, writing = os.pipe()
    os.close(reading)
    try:
        ended = subprocess.run(
            [sys.executable, "-c", "from flowsift.cli import main; main(['--version'])"],
            stdout=writing,
            stderr=subprocess.PIPE,
            text=True,
            check=False,
            timeout=120,
        )
    finally:
        os.close(writing)
    assert ended.stderr == ""
    assert ended.returncode == 141


def run_apart(*arguments, **options):
    code = "import sys; from flowsift.cli import main; main(sys.argv[1:])"
    return subprocess.run([sys.executable, "-c", code, *arguments], check=False, timeout=120, **options)


@pytest.mark.parametrize(("closed", "status"), [(1, 141), (2, 0)])
def test_output_that_was_never_open(closed, status):
    ended = run_apart("--version", preexec_fn=lambda: os.close(closed))
    assert ended.returncode == status


def test_a_name_that_the_encoding_of_the_output_lacks(tmp_path):
    path = tmp_path / "meter.csv"
    path.write_text("tíme 水,volume_l\n2024-06-12T07:00:00Z,1\n2024-06-12T07:00:10Z,2\n", encoding="utf-8")
    plain = {**os.environ, "PYTHONIOENCODING": "ascii"}
    ended = run_apart("account", str(path), env=plain, capture_output=True, text=True)
    assert (ended.returncode, ended.stderr) == (0, "")
    assert "t\\xedme \\u6c34" in ended.stdout
