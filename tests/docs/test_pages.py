"""Every code block of the documentation runs and answers what the page shows."""

import re

import pytest
from tests.docs.blocks import blocks_of, run_page
from tests.docs.conftest import TOP

PAGES = [TOP / "DEVELOPERS.md", *sorted((TOP / "docs").rglob("*.md"))]
KNOWN = {"python", "pycon", "console", "sh", "text", "csv", "toml"}


def names(pages):
    return [str(page.relative_to(TOP)) for page in pages]


@pytest.mark.usefixtures("answers_kept", "folder")
@pytest.mark.parametrize("page", PAGES, ids=names(PAGES))
def test_code_runs(page):
    blocks = [block.language for block in blocks_of(page.read_text(encoding="utf-8"))]
    assert run_page(page, {}) == sum(language in ("python", "pycon", "console") for language in blocks)
    assert set(blocks) <= KNOWN


@pytest.mark.parametrize("page", PAGES, ids=names(PAGES))
def test_commands_that_set_up_are_those_of_the_readme(page):
    # `.ci/run` runs the README's commands in fresh environments: that is their test.
    readme = (TOP / "README.md").read_text(encoding="utf-8")
    for block in blocks_of(page.read_text(encoding="utf-8")):
        if block.language == "sh":
            for line in block.text.splitlines():
                assert f"    {line}\n" in readme, f"line {block.line}"


@pytest.mark.parametrize("page", PAGES, ids=names(PAGES))
def test_links_lead_somewhere(page):
    for target in re.findall(r"\]\(([^)#:]+)\)", page.read_text(encoding="utf-8")):
        assert (page.parent / target).exists(), target


def test_a_wrong_output_is_seen(tmp_path):
    page = tmp_path / "page.md"
    page.write_text("```pycon\n>>> 1 + 1\n3\n```\n", encoding="utf-8")
    with pytest.raises(AssertionError, match=r"page\.md, line 2"):
        run_page(page, {})
    page.write_text("```console\n$ flowsift --version\nanother 1.0\n```\n", encoding="utf-8")
    with pytest.raises(AssertionError, match="expected"):
        run_page(page, {})
