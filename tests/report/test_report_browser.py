"""The report in a real browser without a screen; left out where there is none."""

import base64

import pytest
from browser import BROWSER, DRIVER, started
from reports import EVIL, full_contents
from serving import served

from hybridopt.report.page import report_page
from hybridopt.report.server import PageServer

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not (BROWSER and DRIVER), reason="no browser with its driver"),
]
ALL = "return [...document.querySelectorAll(arguments[0])]"
SVG = "#run0 .plots svg"


@pytest.fixture(scope="module")
def browser():
    with started() as made:
        yield made


@pytest.fixture(scope="module")
def address(result, driveline, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(report_page(full_contents(result, driveline, cycle=EVIL)), encoding="utf-8")
    return path.as_uri()


@pytest.fixture
def page(browser, address):
    browser.size(1280, 1200)
    browser.go(address)
    return browser


def count(page, selector):
    return page.run(f"{ALL}.length", selector)


def readout(page, number=0):
    return page.run(
        "return document.querySelector(arguments[0]).innerText", f"#run{number} .readout"
    )


def labels(page):
    return page.run(f"{ALL}.map(t => t.textContent)", "#run0 .plots text")


def test_loads_without_a_word_on_the_console(page):
    assert page.log() == []
    assert page.run("return document.title").startswith("Least-fuel schedules: ece15")
    panels = ["speed (km/h)", "gear (-)", "torque of engine (filled) and motor (N m)"]
    assert set(panels) <= set(labels(page)) and "time (s)" in labels(page)
    assert count(page, ".charts svg path") > 20


def test_hostile_names_are_shown_and_do_nothing(page):
    heads = page.run(f"{ALL}.map(h => h.innerText)", "h2")
    assert any(EVIL.replace("  ", " ") in head for head in heads)
    assert count(page, "img[src=x]") == 0


def test_cursor_shows_the_figures_of_its_step_in_all_linked_charts(page, result):
    page.mouse(SVG, (100, 0))
    text = readout(page)
    second = int(float(text.split(" s")[0].split()[-1]))
    step = result.dataset.isel(time=second)
    assert f"speed {round(float(step['speed']) * 3.6, 2):g} km/h" in text.replace("\n", " ")
    assert f"gear {int(step['gear'])}" in text
    assert f"SoC {round(100 * float(step['soc']), 3):g} %" in text.replace("\n", " ")
    assert readout(page, 1) == text  # the same cycle
    lines = page.run(f"{ALL}.map(l => l.getAttribute('x1'))", "line.cursor")
    assert len(lines) == 2 and lines[0] == lines[1]
    assert count(page, "line.cursor[visibility=visible]") == 2


def test_drag_zooms_and_a_button_shows_the_whole(page):
    before = labels(page)
    page.mouse(SVG, (-100, 0), (20, 0), drag=True)
    assert labels(page) != before
    page.click("#run0 button[data-do=whole]")
    assert labels(page) == before


def test_keyboard_moves_zooms_and_speaks(page):
    page.run("document.getElementById('run0').focus()")
    page.press("Home")
    assert readout(page).startswith("time 0 s")
    page.press("ArrowRight", "ArrowRight")
    assert readout(page).startswith("time 2 s")
    page.press("ArrowRight", hold=("Shift",))
    assert readout(page).startswith("time 12 s")
    assert page.text("#run0 [aria-live]").startswith("time 12 s")
    before = labels(page)
    page.press("+")
    assert labels(page) != before
    page.press("Escape")
    assert labels(page) == before


def test_everything_can_be_reached_by_tab_and_has_a_name(page):
    names = page.run(
        f"{ALL}.map(e => e.getAttribute('aria-label') || e.getAttribute('aria-labelledby')"
        " || e.alt)",
        ".charts, nav, section, img",
    )
    assert len(names) > 15 and all(names)
    page.press("Tab")
    assert page.run("return document.activeElement.innerText") == "To the content"


@pytest.mark.parametrize("width", [1280, 390])
def test_nothing_is_wider_than_the_screen(page, width):
    page.size(width, 1200)
    page.run("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert page.run("return document.documentElement.scrollWidth") <= width
    clipped = page.run(
        f"{ALL}.filter(t => {{"
        "const a = t.getBoundingClientRect(), b = t.ownerSVGElement.getBoundingClientRect();"
        "return a.left < b.left - 1 || a.right > b.right + 1}).map(t => t.textContent)",
        ".charts svg text",
    )
    assert clipped == []


def test_prints_to_pdf(page):
    content = base64.b64decode(page.devtools("Page.printToPDF", printBackground=True)["data"])
    assert content.startswith(b"%PDF") and len(content) > 100_000
    assert page.log() == []


def test_explore_page_works_and_choice_changes_it(browser, result, tmp_path):
    result.to_netcdf(tmp_path / "one.nc")
    result.to_netcdf(tmp_path / "two.nc")
    with served(PageServer(tmp_path)) as server:
        browser.size(1280, 1200)
        browser.go(server.address)
        assert count(browser, "section.run") == 2
        for width in (390, 1280):
            browser.size(width, 1200)
            assert browser.run("return document.documentElement.scrollWidth") <= width
        browser.run("document.querySelector('select[name=right]').value = ''")
        browser.click("form button")
        browser.wait("return location.href.endsWith('right=')", seconds=30)
        assert count(browser, "section.run") == 1
        assert browser.run("return location.search") == "?left=one.nc&right="
        assert browser.log() == []
