"""The page of rule tables under edit in a real browser; left out where there is none."""

import dataclasses
import http.server
import json
from threading import Thread

import numpy as np
import pytest
from browser import BROWSER, DRIVER, started
from edit_desk import PLAIN, SETTINGS, cases, desk
from rule_tables import hand_made
from serving import served

from hybridopt import read_cycle, read_rule_set
from hybridopt.distillation.table_drives import solve_cases
from hybridopt.report.edit_server import EditServer

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not (BROWSER and DRIVER), reason="no browser with its driver"),
]
READY = "return document.getElementById('said').textContent.startsWith('Choose a cell')"
SAID = "return document.getElementById('said').textContent"
CELL = 'document.querySelector(\'#grid td[data-row="{}"][data-column="{}"]\')'


@pytest.fixture(scope="module")
def browser():
    with started() as made:
        made.size(1400)
        yield made


@pytest.fixture(scope="module")
def solved():
    return cases()


@pytest.fixture
def server(solved, tmp_path):
    with served(EditServer(desk(solved, tmp_path))) as made:
        yield made


@pytest.fixture
def page(browser, server):
    browser.go("about:blank")
    browser.log()
    browser.go(server.address)
    browser.wait(READY)
    yield browser
    assert [line for line in browser.log() if "409" not in line["message"]] == []


def cell(page, row, column):
    return page.run(f"return {CELL.format(row, column)}.textContent")


def focus(page, row, column):
    page.run(f"{CELL.format(row, column)}.focus(); grid.go([{row}, {column}], false)")


def done(page, words):
    """Wait until the page says that something is done."""
    return page.wait(f"{SAID}.includes(arguments[0])", words, seconds=30)


def figures(page):
    """Return what stands in the rows of the drives."""
    rows = "[...document.querySelectorAll('#drives tbody tr')]"
    return page.run(f"return {rows}.map(r => [...r.querySelectorAll('td')].map(d => d.innerText))")


def test_edit_undo_redo_save_and_reload(page, server):
    before = figures(page)
    focus(page, 0, 1)
    assert cell(page, 0, 1) == "9.0"
    page.press("1", "7", ".", "5", "Enter")
    done(page, "engine start, 1 cell set to 17.5 kW: cost at equal SoC")
    assert cell(page, 0, 1) == "17.5" and figures(page) != before
    page.press("z", hold=("Control",))
    done(page, "undo (set, engine_start, 1 cell)")
    assert cell(page, 0, 1) == "9.0" and figures(page) == before
    page.press("y", hold=("Control",))
    done(page, "redo (set, engine_start, 1 cell)")
    leaving = "const e = new Event('beforeunload', {cancelable: true}); dispatchEvent(e);"
    assert page.run(f"{leaving} return e.defaultPrevented"), "leaving is asked about"
    page.go("about:blank")
    page.go(server.address)
    page.wait(READY)
    assert cell(page, 0, 1) == "17.5", "the program keeps what is not saved"
    page.click("#save button")
    done(page, "Saved as edited.json.")
    saved = read_rule_set(server.desk.folder / "edited.json")
    assert saved.origin.edited and saved.table.engine_start.values[0, 1] == 17_500.0
    assert not page.run(f"{leaving} return e.defaultPrevented")
    page.click("#save button")
    page.wait("return document.getElementById('question').open")
    assert "is there already" in page.text("#asked")
    page.press("Escape")
    page.click("#save button")
    page.wait("return document.getElementById('question').open")
    page.press("Enter")
    done(page, "Saved as edited.json.")


def test_keyboard_alone_does_everything(page, server):
    """From the top of the page by Tab to the cells; a region, its changes, a version, saving."""
    page.run("document.activeElement.blur()")
    page.press("Tab", "Enter")
    for _ in range(40):
        if page.run("return document.activeElement.getAttribute('role') === 'gridcell'"):
            break
        page.press("Tab")
    page.press("Home", hold=("Control",))
    page.press("ArrowDown", "ArrowRight", hold=("Shift",))
    assert page.run("return document.querySelectorAll('[aria-selected=true]').length") == 4
    values = np.array(server.desk.session.now.values["engine_start"])
    for keys, words, change in (
        (("PageUp",), "4 cells +1 kW", lambda v: v + 1e3),
        (("a", "-", "2", "Enter"), "4 cells \u22122 kW", lambda v: v - 2e3),
        (("p", "5", "0", "Enter"), "scaled to 50 %", lambda v: 0.5 * v),
    ):
        page.press(*keys)
        done(page, words)
        values[:2, :2] = change(values[:2, :2])
        np.testing.assert_allclose(server.desk.session.now.values["engine_start"], values)
    page.press("s")
    done(page, "4 cells smooth")
    page.press("ArrowLeft", "Home", hold=("Control",))
    page.press("End", hold=("Shift", "Control"))
    page.press("i")
    done(page, "9 cells interpolate")
    page.press("Delete")
    done(page, "9 cells as in as opened")
    assert not server.desk.session.unsaved
    page.press("PageDown")
    done(page, "9 cells \u22121 kW")
    for _ in range(60):
        if page.run("return document.activeElement.closest('#keep') !== null"):
            break
        page.press("Tab")
    page.press("l", "o", "w", "Enter")
    done(page, "Kept as low.")
    assert list(server.desk.session.versions) == ["as opened", "low"]


def test_two_pages_on_the_same_tables(page, server):
    first = page.window()
    second = page.new_window()
    page.switch(second)
    page.go(server.address)
    page.wait(READY)
    focus(page, 0, 0)
    page.press("PageUp")
    done(page, "1 cell +1 kW")
    page.switch(first)
    focus(page, 1, 0)
    page.press("PageUp")
    page.wait("return document.getElementById('question').open")
    assert "changed on another page" in page.text("#asked")
    assert server.desk.session.revision == 2 and cell(page, 0, 0) == "4.0"
    page.press("Enter")
    done(page, "shown as they are now")
    assert cell(page, 0, 0) == "5.0"
    focus(page, 1, 0)
    page.press("PageUp")
    done(page, "1 cell +1 kW")
    page.switch(second)
    page.ask("DELETE", "/window")
    page.switch(first)


def test_screen_readers_get_a_grid(page):
    """WAI-ARIA 1.2: rows own cells and headers, one cell is in the order of Tab."""
    assert page.run("return document.querySelectorAll('#grid[role=grid] [role=row]').length") == 4
    assert page.run("return document.querySelectorAll('#grid td[tabindex=\"0\"]').length") == 1
    labels = page.run("return [...document.querySelectorAll('#grid td')].map(d => d.ariaLabel)")
    assert labels[1] == "9.01 kW at 0 km/h, SoC 50 %" and len(set(labels)) == 9
    names = "e => e.innerText || e.ariaLabel || e.labels && e.labels[0] && e.labels[0].innerText"
    fields = (
        "[...document.querySelectorAll('button, input, select')].filter(e => e.checkVisibility())"
    )
    assert all(page.run(f"return {fields}.map({names})"))
    tree = page.devtools("Accessibility.getFullAXTree")["nodes"]
    roles = [node["role"]["value"] for node in tree if not node["ignored"]]
    assert roles.count("grid") == 1 and roles.count("gridcell") == 9 and "status" in roles


@pytest.mark.parametrize(("width", "dark"), [(1400, False), (390, False), (390, True)])
def test_nothing_is_wider_than_the_screen(page, width, dark):
    page.size(width, dark=dark)
    for table in ("engine_start", "electric_limit", "motor_torque", "shift_up"):
        page.run("view.table = arguments[0]; show(); render()", table)
        assert page.run("return document.documentElement.scrollWidth") <= width
    page.size(1400)


def test_worth_is_laid_over_the_cells(page):
    page.run("view.table = 'motor_torque'; show(); $('view').value = 'cost'; beginWorth()")
    done(page, "What cells are worth is shown.")
    unread = "worth.tables.motor_torque.share.flatMap(row => row.map(v => v[view.layer] === 0))"
    marked = "[...document.querySelectorAll('#grid td')].map(d => d.classList.contains('unread'))"
    shown = page.run(f"return [{unread}, {marked}]")
    assert shown[0] == shown[1] and any(shown[0])
    assert page.run("return document.querySelectorAll('#ranked li').length") > 3
    page.click("#ranked li button")
    assert " saves " in page.text("#ranked li")


def test_another_origin_is_refused(browser, server):
    """A page of another address asks in every way that a browser lets it."""

    class Other(http.server.BaseHTTPRequestHandler):
        def do_GET(self):
            self.send_response(200)
            self.end_headers()
            self.wfile.write(b"<!DOCTYPE html><title>other</title>")

        def log_message(self, *values):
            pass

    # threads, as the browser keeps a connection open that would be waited for
    with http.server.ThreadingHTTPServer(("127.0.0.1", 0), Other) as other:
        Thread(target=other.serve_forever, daemon=True).start()
        browser.go(f"http://127.0.0.1:{other.server_port}/")
        body = {"do": "edit", "revision": 1, "table": "engine_start", "rows": [0, 0]}
        body |= {"columns": [0, 0], "operation": "add", "amount": 1.0}
        for how in (
            {"mode": "no-cors"},
            {"headers": {"Content-Type": "text/plain"}},
            {"headers": {"Content-Type": "application/json", "X-Edit-Token": server.token}},
        ):
            given = {"method": "POST", "body": json.dumps(body), **how}
            script = "return fetch(arguments[0], arguments[1]).then(a => a.status, () => 'refused')"
            home = server.address.partition("?")[0]
            assert browser.run(script, home, given) in ("refused", 0)
            script = "return fetch(arguments[0]).then(a => a.text(), () => 'refused')"
            assert browser.run(script, server.address) == "refused"
        other.shutdown()
    assert server.desk.session.revision == 1


def test_twelve_drives_at_once(browser, tmp_path):
    """From the key to the figures on the screen; the time is measured, and never asserted."""
    urban = read_cycle("ece15")
    cycles = [
        dataclasses.replace(urban, name=f"urban {i}", speed=urban.speed * (0.6 + 0.03 * i))
        for i in range(12)
    ]
    solved = solve_cases(hand_made(), cycles, PLAIN, SETTINGS)
    with served(EditServer(desk(solved, tmp_path))) as server:
        browser.go(server.address)
        browser.wait(READY)
        times = []
        for turn in range(8):
            focus(browser, turn % 3, 0)
            browser.press("PageUp")
            browser.wait("return document.getElementById('said').dataset.seconds")
            times.append(
                browser.run(
                    "const d = $('said').dataset, s = d.seconds; delete d.seconds; return s"
                )
            )
        assert len(figures(browser)) == 12 and server.desk.session.revision == 9
    seconds = sorted(map(float, times))
    print(f"12 drives: {seconds[4]:.3f} s from key to figures, {seconds[-1]:.3f} s at most")
    assert seconds[0] > 0.0
