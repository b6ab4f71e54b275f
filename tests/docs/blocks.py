"""The code blocks of a Markdown page, run in order as a reader would run them.

``python`` runs as a script, ``pycon`` as a doctest, ``console`` line by line: ``$`` begins a command, what follows is
its output. In outputs ``...`` stands for anything. Blocks of one page share their names and their folder.
"""

import contextlib
import doctest
import io
import re
import shlex
import subprocess
from dataclasses import dataclass

from flowsift.cli import main

BLOCK = re.compile(r"^( *)```(\w+)\n(.*?)^\1```", re.DOTALL | re.MULTILINE)
LENIENT = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


@dataclass(frozen=True)
class Block:
    language: str
    text: str
    line: int


def blocks_of(markdown):
    for found in BLOCK.finditer(markdown):
        indent, language, text = found.groups()
        text = re.sub(rf"^{indent}", "", text, flags=re.MULTILINE)
        yield Block(language, text, markdown.count("\n", 0, found.start()) + 2)


def run_page(path, namespace):
    """Run every block that holds code; the count of them."""
    ran = 0
    for block in blocks_of(path.read_text(encoding="utf-8")):
        place = f"{path.name}, line {block.line}"
        if block.language == "python":
            with contextlib.redirect_stdout(io.StringIO()):
                exec(compile(block.text, place, "exec"), namespace)
        elif block.language == "pycon":
            run_doctest(block.text, namespace, place)
        elif block.language == "console":
            run_console(block.text, place)
        else:
            continue
        ran += 1
    return ran


def run_doctest(text, namespace, place):
    test = doctest.DocTestParser().get_doctest(text, namespace, place, None, 0)
    runner = doctest.DocTestRunner(optionflags=LENIENT, verbose=False)
    said = io.StringIO()
    runner.run(test, out=said.write, clear_globs=False)
    namespace.update(test.globs)
    assert runner.summarize(verbose=False).failed == 0, f"{place}\n{said.getvalue()}"


def run_console(text, place):
    assert text.startswith("$ "), f"{place}: a console block begins with a command"
    for part in re.split(r"^\$ ", text, flags=re.MULTILINE)[1:]:
        command, _, expected = part.partition("\n")
        while command.endswith("\\"):
            more, _, expected = expected.partition("\n")
            command = command[:-1] + more
        status, output = run_command(command)
        assert status == 0 or "flowsift: " in expected, f"{place}: $ {command}\n{output}"
        if expected.strip():
            matches = doctest.OutputChecker().check_output(expected.strip() + "\n", output.strip() + "\n", LENIENT)
            assert matches, f"{place}: $ {command}\nexpected\n{expected}\nfound\n{output}"


def run_command(command):
    words = shlex.split(command)
    if words[0] != "flowsift":
        ended = subprocess.run(command, shell=True, capture_output=True, text=True, check=False, timeout=60)
        return ended.returncode, ended.stdout + ended.stderr
    # In this process: starting Python anew for each command would take most of the time.
    said = io.StringIO()
    with contextlib.redirect_stdout(said), contextlib.redirect_stderr(said):
        try:
            main(words[1:])
        except SystemExit as ended:
            return ended.code, said.getvalue()
    raise AssertionError("the command line always exits")
