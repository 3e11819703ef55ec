"""The report in a real browser without a screen; left out where there is none."""

import base64
import shutil
import time

import pytest
from reports import EVIL, full_contents

from hybridopt.report.page import report_page
from hybridopt.report.server import PageServer

selenium = pytest.importorskip("selenium", reason="selenium is not installed")
from selenium import webdriver  # noqa: E402
from selenium.webdriver.chrome.service import Service  # noqa: E402
from selenium.webdriver.common.action_chains import ActionChains  # noqa: E402
from selenium.webdriver.common.keys import Keys  # noqa: E402
from selenium.webdriver.support.ui import WebDriverWait  # noqa: E402

BROWSER = shutil.which("chromium") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not (BROWSER and DRIVER), reason="no browser with its driver"),
]
ARGUMENTS = (
    "--headless=new",
    "--no-sandbox",
    "--disable-gpu",
    "--disable-dev-shm-usage",
    "--window-size=1280,1200",
)


@pytest.fixture(scope="module")
def browser():
    options = webdriver.ChromeOptions()
    options.binary_location = BROWSER
    for argument in ARGUMENTS:
        options.add_argument(argument)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(DRIVER))
    yield driver
    driver.quit()


@pytest.fixture(scope="module")
def address(result, driveline, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(report_page(full_contents(result, driveline, cycle=EVIL)), encoding="utf-8")
    return path.as_uri()


@pytest.fixture
def page(browser, address):
    resize(browser, 1280)
    browser.get(address)
    return browser


def resize(browser, width):
    view = {"width": width, "height": 1200, "deviceScaleFactor": 1, "mobile": width < 500}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", view)


def chart(page, number=0):
    return page.find_element("id", f"run{number}")


def readout(page, number=0):
    return chart(page, number).find_element("css selector", ".readout").text


def labels(page):
    found = chart(page).find_elements("css selector", ".plots text")
    return [f.text for f in found]


def hover(page, x, hold=False):
    svg = chart(page).find_element("css selector", ".plots svg")
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", svg)
    ActionChains(page).move_to_element_with_offset(svg, x, 0).perform()


def test_loads_without_a_word_on_the_console(page):
    assert page.get_log("browser") == []
    assert page.title.startswith("Least-fuel schedules: ece15")
    panels = ["speed (km/h)", "gear (-)", "torque of engine (filled) and motor (N m)"]
    assert set(panels) <= set(labels(page)) and "time (s)" in labels(page)
    assert page.execute_script("return document.querySelectorAll('.charts svg path').length") > 20


def test_hostile_names_are_shown_and_do_nothing(page):
    heads = [h.text for h in page.find_elements("css selector", "h2")]
    assert any(EVIL.replace("  ", " ") in head for head in heads)
    assert page.execute_script("return document.querySelectorAll('img[src=x]').length") == 0


def test_cursor_shows_the_figures_of_its_step_in_all_linked_charts(page, result):
    hover(page, 100)
    text = readout(page)
    second = int(float(text.split(" s")[0].split()[-1]))
    step = result.dataset.isel(time=second)
    assert f"speed {round(float(step['speed']) * 3.6, 2):g} km/h" in text.replace("\n", " ")
    assert f"gear {int(step['gear'])}" in text
    assert f"SoC {round(100 * float(step['soc']), 3):g} %" in text.replace("\n", " ")
    assert readout(page, 1) == text  # the same cycle
    lines = page.find_elements("css selector", "line.cursor")
    places = [line.get_attribute("x1") for line in lines]
    assert len(places) == 2 and places[0] == places[1]
    assert all(line.get_attribute("visibility") == "visible" for line in lines)


def test_drag_zooms_and_a_button_shows_the_whole(page):
    before = labels(page)
    svg = chart(page).find_element("css selector", ".plots svg")
    page.execute_script("arguments[0].scrollIntoView({block: 'center'})", svg)
    move = ActionChains(page).move_to_element_with_offset(svg, -100, 0).click_and_hold()
    move.move_by_offset(120, 0).release().perform()
    assert labels(page) != before
    chart(page).find_element("css selector", "button[data-do=whole]").click()
    assert labels(page) == before


def test_keyboard_moves_zooms_and_speaks(page):
    box = chart(page)
    page.execute_script("arguments[0].focus()", box)
    box.send_keys(Keys.HOME)
    assert readout(page).startswith("time 0 s")
    box.send_keys(Keys.ARROW_RIGHT, Keys.ARROW_RIGHT)
    assert readout(page).startswith("time 2 s")
    box.send_keys(Keys.SHIFT, Keys.ARROW_RIGHT)
    assert readout(page).startswith("time 12 s")
    spoken = box.find_element("css selector", "[aria-live]").get_attribute("textContent")
    assert spoken.startswith("time 12 s")
    before = labels(page)
    box.send_keys("+")
    assert labels(page) != before
    box.send_keys(Keys.ESCAPE)
    assert labels(page) == before


def test_everything_can_be_reached_by_tab_and_has_a_name(page):
    names = page.execute_script(
        "return [...document.querySelectorAll('.charts, nav, section, img')].map(e => "
        "e.getAttribute('aria-label') || e.getAttribute('aria-labelledby') || e.alt)"
    )
    assert len(names) > 15 and all(names)
    page.execute_script("document.body.focus()")
    page.find_element("css selector", "body").send_keys(Keys.TAB)
    assert page.switch_to.active_element.text == "To the content"


@pytest.mark.parametrize("width", [1280, 390])
def test_nothing_is_wider_than_the_screen(page, width):
    resize(page, width)
    time.sleep(0.2)
    page.execute_script("document.querySelectorAll('details').forEach(d => d.open = true)")
    assert page.execute_script("return document.documentElement.scrollWidth") <= width
    clipped = page.execute_script(
        "return [...document.querySelectorAll('.charts svg text')].filter(t => {"
        "const a = t.getBoundingClientRect(), b = t.ownerSVGElement.getBoundingClientRect();"
        "return a.left < b.left - 1 || a.right > b.right + 1}).map(t => t.textContent)"
    )
    assert clipped == []


def test_prints_to_pdf(page):
    printed = page.execute_cdp_cmd("Page.printToPDF", {"printBackground": True})
    content = base64.b64decode(printed["data"])
    assert content.startswith(b"%PDF") and len(content) > 100_000
    assert page.get_log("browser") == []


def test_explore_page_works_and_choice_changes_it(browser, result, tmp_path):
    result.to_netcdf(tmp_path / "one.nc")
    result.to_netcdf(tmp_path / "two.nc")
    from threading import Thread

    with PageServer(tmp_path) as server:
        thread = Thread(target=server.serve_forever, daemon=True)
        thread.start()
        resize(browser, 1280)
        browser.get(server.address)
        assert len(browser.find_elements("css selector", "section.run")) == 2
        for width in (390, 1280):
            resize(browser, width)
            time.sleep(0.2)
            assert browser.execute_script("return document.documentElement.scrollWidth") <= width
        select = browser.find_element("css selector", "select[name=right]")
        select.find_element("css selector", "option[value='']").click()
        browser.find_element("css selector", "form button").click()
        WebDriverWait(browser, 30).until(lambda b: b.current_url.endswith("right="))
        assert len(browser.find_elements("css selector", "section.run")) == 1
        assert browser.current_url.endswith("?left=one.nc&right=")
        assert browser.get_log("browser") == []
        server.shutdown()
        thread.join()
