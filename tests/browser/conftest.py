"""A headless Chromium that opens report pages from disk."""

import os
import shutil
from dataclasses import dataclass, field

import pytest

import flowsift as fs
from flowsift.households.shipped import read_shipped
from flowsift.study.tariff import example_tariff_text, parsed_tariff

BROWSERS = ("chromium", "chromium-browser", "google-chrome")
DESK, PHONE = {"width": 1280, "height": 900}, {"width": 390, "height": 844}


@dataclass
class Opened:
    """A page in the browser, with what it wrote to the console and what it asked for."""

    tab: object
    console: list = field(default_factory=list)
    requests: list = field(default_factory=list)


@pytest.fixture(scope="session")
def browser():
    pytest.importorskip("bokeh", reason="the report extra is not installed")
    pytest.importorskip("jinja2", reason="the report extra is not installed")
    playwright = pytest.importorskip("playwright.sync_api", reason="the browser extra is not installed")
    program = next((path for path in map(shutil.which, BROWSERS) if path), None)
    if program is None:
        pytest.skip(f"no browser: none of {', '.join(BROWSERS)} is on the path")
    # Chromium refuses to run as root inside its sandbox.
    root = hasattr(os, "geteuid") and os.geteuid() == 0
    with playwright.sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=program, args=["--no-sandbox"] if root else [])
        yield running
        running.close()


@pytest.fixture(scope="session")
def demo():
    return fs.disaggregate(read_shipped("demo").trace)


@pytest.fixture(scope="session")
def demo_page(demo, tmp_path_factory, browser):  # noqa: ARG001 (no page is built where there is no browser)
    from flowsift.report.page import write_page

    path = tmp_path_factory.mktemp("page") / "report.html"
    write_page(demo, path, tariff=parsed_tariff(example_tariff_text()))
    return path


@pytest.fixture(scope="session")
def open_page(browser):
    """Open a page and wait until it is drawn."""

    def opened(path, *, size=DESK, scheme="light"):
        context = browser.new_context(viewport=size, color_scheme=scheme, accept_downloads=True, bypass_csp=False)
        page = Opened(context.new_page())
        page.tab.set_default_timeout(60_000)
        page.tab.on("console", lambda message: page.console.append((message.type, message.text)))
        page.tab.on("pageerror", lambda error: page.console.append(("error", str(error))))
        page.tab.on("request", lambda request: page.requests.append(request.url))
        page.tab.goto(path.as_uri())
        page.tab.wait_for_selector("html[data-ready=yes]")
        return page

    return opened


@pytest.fixture(scope="module")
def desk(open_page, demo_page):
    page = open_page(demo_page)
    yield page
    page.tab.context.close()


@pytest.fixture(scope="module")
def phone(open_page, demo_page):
    page = open_page(demo_page, size=PHONE, scheme="dark")
    yield page
    page.tab.context.close()
