"""How the documentation is built: ``sphinx-build -W docs build/docs``, from the repository alone, no network."""

import sys
from pathlib import Path

from sphinx.application import Sphinx

sys.path.insert(0, str(Path(__file__).parent))

import flowsift
import made_pages

project = "flowsift"
version = release = flowsift.__version__
extensions = ["myst_parser", "sphinx.ext.autodoc", "sphinx.ext.viewcode", "numpydoc"]
exclude_patterns = ["forms"]
suppress_warnings = ["misc.highlighting_failure"]  # blocks with `...` for lines left out

myst_heading_anchors = 3
autodoc_typehints = "none"  # the docstrings say them, with shapes and units
autodoc_member_order = "bysource"
default_role = "code"
numpydoc_show_class_members = False
numpydoc_class_members_toctree = False

html_theme = "pydata_sphinx_theme"
html_title = f"flowsift {version}"
html_copy_source = False
html_show_sourcelink = False
html_theme_options = {
    "footer_start": [],
    "footer_end": [],
    "navbar_center": [],
    "navbar_end": ["theme-switcher"],
}
html_sidebars = {"**": ["globaltoc.html"]}


def _fill(_app: Sphinx, _page: str, text: list[str]) -> None:
    text[0] = made_pages.filled(text[0])


def setup(app: Sphinx) -> None:
    """Put what is made from records into the pages that ask for it."""
    app.connect("source-read", _fill)
