"""The report page in a real browser: it loads alone, can be zoomed, pointed at, switched, typed through and printed."""

import csv
import re

import pandas as pd
import pytest
from tests.browser.conftest import PHONE

import flowsift as fs
from flowsift.disaggregation import from_uses
from flowsift.labels import label_words
from flowsift.units import L_PER_GAL

HOSTILE = '<img src=x onerror="document.title=1"></script><b>=1+1'

TRACE = "Bokeh.documents.flatMap((d) => d.roots()).find((plot) => plot.name === 'trace')"
SPAN = f"[{TRACE}.x_range.start, {TRACE}.x_range.end]"
CLASSES = "Bokeh.documents.flatMap((d) => d.roots()).find((plot) => plot.name === 'flushes').right[0].ticker.ticks"
VOLUME = f"[...{TRACE}.references()].find((part) => part.name === 'uses').data.volume_l[0]"


def width_of(page):
    start, end = page.tab.evaluate(SPAN)
    return end - start


def whole(page):
    page.tab.get_by_role("button", name="whole period").click()
    return width_of(page)


def over_trace(page):
    """Scroll the trace into view and return the middle of where it is drawn."""
    drawn = page.tab.locator("#trace .bk-Canvas")
    drawn.scroll_into_view_if_needed()
    box = drawn.bounding_box()
    return box["x"] + 0.55 * box["width"], box["y"] + 0.6 * box["height"]


def wait_until(opened, expression):
    """Wait until an expression holds; the page forbids itself the evaluation that Playwright's own way needs."""
    for _ in range(60):
        if opened.tab.evaluate(expression):
            return
        opened.tab.wait_for_timeout(100)
    pytest.fail(f"never true: {expression}")


def test_it_loads_alone_and_without_complaint(desk, phone, demo_page):
    for page in (desk, phone):
        assert page.requests == [demo_page.as_uri()]
        assert [text for kind, text in page.console if kind in {"error", "warning"}] == []
        painted = page.tab.locator(".picture .bk-Canvas").evaluate_all(
            "(drawn) => drawn.map((one) => [...one.shadowRoot.querySelectorAll('canvas')].some((canvas) =>"
            " canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data.some((value) => value > 0)))"
        )
        assert len(painted) >= 5
        assert all(painted)


def test_nothing_makes_a_phone_scroll_sideways(phone):
    phone.tab.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert phone.tab.evaluate("document.documentElement.scrollWidth") <= PHONE["width"]
    outside = phone.tab.evaluate(
        "[...document.querySelectorAll('main *')].filter(e => !e.closest('.scroll') && e.getBoundingClientRect().right"
        " > innerWidth + 0.5).map(e => e.outerHTML.slice(0, 80))"
    )
    assert outside == []


def test_buttons_move_through_the_trace(desk):
    first = whole(desk)
    desk.tab.get_by_role("button", name="closer").click()
    assert width_of(desk) == pytest.approx(first / 2)
    start = desk.tab.evaluate(SPAN)[0]
    desk.tab.get_by_role("button", name="later").click()
    assert desk.tab.evaluate(SPAN)[0] > start
    desk.tab.get_by_role("button", name="wider").click()
    assert width_of(desk) == pytest.approx(first)


def test_a_drag_zooms_and_the_wheel_only_with_control(desk):
    first = whole(desk)
    x, y = over_trace(desk)
    desk.tab.mouse.move(x - 100, y)
    desk.tab.mouse.down()
    desk.tab.mouse.move(x + 100, y, steps=4)
    desk.tab.mouse.up()
    wait_until(desk, f"({SPAN})[1] - ({SPAN})[0] < {0.5 * first}")
    dragged = width_of(desk)
    desk.tab.mouse.wheel(0, -200)
    desk.tab.wait_for_timeout(150)
    assert width_of(desk) == dragged
    x, y = over_trace(desk)
    desk.tab.mouse.move(x, y)
    desk.tab.keyboard.down("Control")
    desk.tab.mouse.wheel(0, -200)
    desk.tab.keyboard.up("Control")
    wait_until(desk, f"({SPAN})[1] - ({SPAN})[0] < {0.999 * dragged}")


def test_pointing_at_a_use_shows_its_figures_and_reason(desk, demo):
    row = int(demo.events["volume_l"].idxmax())
    use, explained = demo.events.loc[row], demo.explain(row)
    desk.tab.evaluate("document.getElementById('sheet-events').open = true")
    desk.tab.locator(f"[data-event='{row}']").click()
    drawn = desk.tab.locator("#trace .bk-Canvas").bounding_box()
    # The use fills the middle fifth of what is in view; its own flow reaches up from the axis.
    desk.tab.mouse.move(drawn["x"] + 0.53 * drawn["width"], drawn["y"] + 0.7 * drawn["height"])
    desk.tab.mouse.move(drawn["x"] + 0.54 * drawn["width"], drawn["y"] + 0.72 * drawn["height"])
    tip = desk.tab.locator(".told").filter(has_text=f"{use['fixture']}, ").first
    tip.wait_for()
    text = tip.inner_text()
    assert label_words(use["label"]) in text
    assert f"{use['volume_l']:,.2f}".rstrip("0").rstrip(".") + f" L, known to about {demo.trace.pulse_l:g} L" in text
    assert f"{100 * use['probability']:.0f} % sure" in text
    assert label_words(explained.runner_up) in text or "nothing else comes near" in text
    assert f"one of {explained.resembles.uses} uses" in text


def test_the_unit_switch_reaches_text_axes_and_figures(desk, demo):
    litres = desk.tab.evaluate(VOLUME)
    big = desk.tab.locator(".big").first
    assert big.inner_text() == f"{demo.balance.metered_l / 14:,.0f} L"
    assert max(desk.tab.evaluate(CLASSES)) == pytest.approx(3.5 * L_PER_GAL)
    desk.tab.get_by_label("gallons").check()
    assert max(desk.tab.evaluate(CLASSES)) == pytest.approx(3.5)
    assert big.inner_text() == f"{demo.balance.metered_l / 14 / L_PER_GAL:,.0f} gal"
    assert desk.tab.evaluate(VOLUME) == pytest.approx(litres / L_PER_GAL, rel=1e-6)
    labels = desk.tab.evaluate("Bokeh.documents.flatMap(d => d.roots()).map(p => p.left[0].axis_label)")
    assert [label for label in labels if label and "gal" not in label] == []
    desk.tab.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert re.findall(r".{40}\d L\b.{9}", desk.tab.locator("main").inner_text()) == []
    desk.tab.get_by_label("litres").check()
    assert desk.tab.evaluate(VOLUME) == litres


def test_everything_can_be_done_from_the_keyboard(desk):
    whole(desk)
    top = desk.tab.evaluate(f"{TRACE}.y_range.end")
    desk.tab.get_by_role("button", name="next use").focus()
    desk.tab.keyboard.press("Enter")
    wait_until(desk, f"{TRACE}.y_range.end < {top / 2}")  # the flow axis follows what is in view
    told = desk.tab.locator("#use[role=status]")
    first = told.inner_text()
    assert re.search(r"volume: [\d.,]+ L, known to about .* label: .*% ", first)
    desk.tab.keyboard.press("Enter")
    assert told.inner_text() != first
    desk.tab.keyboard.press("Shift+Tab")
    desk.tab.keyboard.press("Enter")
    assert told.inner_text() == first
    outline = desk.tab.evaluate("getComputedStyle(document.activeElement).outlineStyle")
    assert outline != "none"
    opened = "document.getElementById('sheet-week').open"
    before = desk.tab.evaluate(opened)
    desk.tab.locator("#sheet-week summary").focus()
    desk.tab.keyboard.press("Enter")
    assert desk.tab.evaluate(opened) is not before


@pytest.mark.parametrize("which", ["desk", "phone"])
def test_no_serious_fault_for_those_who_see_or_hear_it_otherwise(which, request):
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="the browser extra is not installed")
    page = request.getfixturevalue(which)
    page.tab.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    found = axe.Axe().run(page.tab).response
    bad = [v for v in found["violations"] if v["impact"] in {"serious", "critical"}]
    assert [(v["id"], [node["html"][:120] for node in v["nodes"]][:3]) for v in bad] == []
    assert len(found["passes"]) > 20


@pytest.mark.parametrize(("paper", "width", "height"), [("A4", 210, 297), ("Letter", 216, 279)])
def test_it_prints_legibly(open_page, demo_page, paper, width, height):
    page = open_page(demo_page, size={"width": round((width - 28) / 25.4 * 96), "height": round(height / 25.4 * 96)})
    page.tab.emulate_media(media="print")
    assert page.tab.evaluate("document.documentElement.scrollWidth <= innerWidth")
    small = page.tab.evaluate(
        "[...document.querySelectorAll('body *')].filter(e => e.offsetParent && e.innerText &&"
        " parseFloat(getComputedStyle(e).fontSize) < 9).map(e => e.tagName)"
    )
    assert small == []
    assert not page.tab.locator(".bk-Toolbar").first.is_visible()
    assert not page.tab.locator("fieldset").is_visible()
    made = page.tab.pdf(format=paper)
    assert made.startswith(b"%PDF-")
    pages = len(re.findall(rb"/Type\s*/Page\b", made))
    assert 3 <= pages <= 8
    page.tab.context.close()


@pytest.mark.parametrize("which", ["desk", "phone"])
def test_pictures_are_copied_for_paper_in_dark_ink(which, request):
    page = request.getfixturevalue(which)
    pictures = page.tab.locator(".picture").count()
    page.tab.evaluate("dispatchEvent(new Event('beforeprint'))")
    ink = page.tab.evaluate(
        "[...document.querySelectorAll('.printed')].map((copy) => {"
        " const { data } = copy.getContext('2d').getImageData(0, 0, copy.width, copy.height); let dark = 0;"
        " for (let k = 0; k < data.length; k += 4)"
        " dark += data[k + 3] > 200 && data[k] < 60 && data[k + 1] < 60 && data[k + 2] < 60;"
        " return dark; })"
    )
    assert len(ink) == pictures >= 5
    assert min(ink) > 200
    page.tab.emulate_media(media="print")
    assert page.tab.locator(".printed").first.is_visible()
    assert not page.tab.locator(".picture > :not(.printed)").first.is_visible()
    page.tab.emulate_media(media="screen")
    page.tab.evaluate("dispatchEvent(new Event('afterprint'))")
    assert page.tab.locator(".printed").count() == 0


def test_a_large_table_is_unpacked_when_it_is_downloaded(open_page, demo, tmp_path, monkeypatch):
    from flowsift.report.page import sheet, write_page

    monkeypatch.setattr(sheet, "MOST_ROWS", 500)
    path = tmp_path / "packed.html"
    write_page(demo, path, units="us")
    page = open_page(path)
    page.tab.evaluate("document.getElementById('sheet-events').open = true")
    with page.tab.expect_download() as waiting:
        page.tab.get_by_role("link", name="Download events as CSV (gallons)").click()
    with open(waiting.value.path(), newline="") as file:
        rows = list(csv.DictReader(file))
    assert waiting.value.suggested_filename == "events.csv"
    assert len(rows) == len(demo.events)
    volume = sum(float(row["volume_gal"]) for row in rows) * L_PER_GAL
    assert volume == pytest.approx(demo.balance.events_l, rel=1e-4)
    page.tab.context.close()


def test_a_name_does_nothing_and_is_read_as_it_is(open_page, tmp_path):
    from flowsift.report.page import write_page

    trace = fs.Trace.from_volumes(range(0, 36000, 10), [1.0 if 100 <= k < 110 else 0.0 for k in range(3600)], 0.1)
    start = trace.start + pd.Timedelta(1000, "s")
    uses = pd.DataFrame({"start": [start], "end": [start + pd.Timedelta(100, "s")], "label": "hose"})
    path = tmp_path / "hostile.html"
    write_page(from_uses(trace, uses.assign(probability=0.9, fixture=HOSTILE)), path, title=HOSTILE)
    page = open_page(path)
    page.tab.get_by_role("button", name="next use").click()
    assert page.tab.locator("#use").inner_text().startswith(f"{HOSTILE}, hose.")
    assert page.tab.title() == HOSTILE
    assert page.tab.locator("img").count() == 0
    assert [kind for kind, _ in page.console if kind != "log"] == []
    page.tab.context.close()
