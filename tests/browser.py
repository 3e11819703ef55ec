"""A real browser without a screen, driven by the W3C WebDriver protocol: JSON over HTTP.

W3C, *WebDriver* (Recommendation, 2018): sessions, elements, keys; the key codes are those of its
table in 17.4.2.
"""

import base64
import contextlib
import http.client
import json
import shutil
import socket
import subprocess
import time

BROWSER = shutil.which("chromium") or shutil.which("google-chrome")
DRIVER = shutil.which("chromedriver")
ELEMENT = "element-6066-11e4-a52e-4f735466cecf"
KEYS = {
    **{"Tab": "\ue004", "Enter": "\ue007", "Shift": "\ue008", "Control": "\ue009"},
    **{"Escape": "\ue00c", "Space": " ", "PageUp": "\ue00e", "PageDown": "\ue00f"},
    **{"End": "\ue010", "Home": "\ue011", "ArrowLeft": "\ue012", "ArrowUp": "\ue013"},
    **{"ArrowRight": "\ue014", "ArrowDown": "\ue015", "Delete": "\ue017", "F2": "\ue032"},
}
ARGUMENTS = ("--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage")


class Browser:
    """One session of a browser."""

    def __init__(self, port):
        self.port, self.session = port, ""
        options = {"binary": BROWSER, "args": list(ARGUMENTS)}
        wanted = {"goog:chromeOptions": options, "goog:loggingPrefs": {"browser": "ALL"}}
        made = self.ask("POST", "/session", {"capabilities": {"alwaysMatch": wanted}})
        self.session = f"/session/{made['sessionId']}"

    def ask(self, method, path, body=None):
        """Send a command; return its value."""
        connection = http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        text = None if body is None else json.dumps(body)
        connection.request(method, self.session + path, text, {"Content-Type": "application/json"})
        value = json.loads(connection.getresponse().read())["value"]
        connection.close()
        assert not (isinstance(value, dict) and "error" in value), value
        return value

    def go(self, address):
        self.ask("POST", "/url", {"url": address})

    def run(self, script, *given):
        """Run a script in the page; return what it returns."""
        return self.ask("POST", "/execute/sync", {"script": script, "args": list(given)})

    def devtools(self, command, **given):
        return self.ask("POST", "/goog/cdp/execute", {"cmd": command, "params": given})

    def size(self, width, height=1000, dark=False):
        """Give the view a size, and light or dark colours."""
        view = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.devtools("Emulation.setDeviceMetricsOverride", **view)
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.devtools("Emulation.setEmulatedMedia", features=[scheme])

    def click(self, selector):
        found = self.ask("POST", "/element", {"using": "css selector", "value": selector})
        self.ask("POST", f"/element/{found[ELEMENT]}/click", {})

    def press(self, *keys, hold=()):
        """Press keys one after another, by their names or as text, with others held down."""
        held = [KEYS[key] for key in hold]
        pressed = [k for key in keys for k in ([KEYS[key]] if key in KEYS else key)]
        actions = [{"type": "keyDown", "value": key} for key in held]
        for key in pressed:
            actions += [{"type": way, "value": key} for way in ("keyDown", "keyUp")]
        actions += [{"type": "keyUp", "value": key} for key in held]
        self.ask("POST", "/actions", {"actions": [{"type": "key", "id": "k", "actions": actions}]})

    def mouse(self, selector, *moves, drag=False):
        """Move to places off the middle of an element, in pixels; `drag` holds the button."""
        middle = self.run(
            "const e = document.querySelector(arguments[0]); e.scrollIntoView({block: 'center'});"
            "const r = e.getBoundingClientRect(); return [r.x + r.width / 2, r.y + r.height / 2]",
            selector,
        )
        steps = [
            {"type": "pointerMove", "x": round(middle[0] + x), "y": round(middle[1] + y)}
            for x, y in moves
        ]
        if drag:
            steps = [steps[0], {"type": "pointerDown", "button": 0}, *steps[1:]]
            steps.append({"type": "pointerUp", "button": 0})
        pointer = {"type": "pointer", "id": "m", "parameters": {"pointerType": "mouse"}}
        self.ask("POST", "/actions", {"actions": [pointer | {"actions": steps}]})

    def text(self, selector):
        return self.run("return document.querySelector(arguments[0]).textContent", selector)

    def wait(self, script, *given, seconds=60):
        """Wait until a script returns something true, and return that."""
        end = time.monotonic() + seconds
        while not (found := self.run(script, *given)):
            assert time.monotonic() < end, f"never true: {script}"
            time.sleep(0.02)
        return found

    def new_window(self):
        return self.ask("POST", "/window/new", {"type": "tab"})["handle"]

    def window(self):
        return self.ask("GET", "/window")

    def switch(self, handle):
        self.ask("POST", "/window", {"handle": handle})

    def log(self):
        """Return what was written to the console since it was asked last."""
        return self.ask("POST", "/se/log", {"type": "browser"})

    def picture(self, path):
        """Write what is seen to a PNG file."""
        path.write_bytes(base64.b64decode(self.ask("GET", "/screenshot")))


@contextlib.contextmanager
def started():
    """Give a browser; it ends with its driver."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    driver = subprocess.Popen(
        [DRIVER, f"--port={port}"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    try:
        for _ in range(600):
            with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port)):
                break
            time.sleep(0.05)
        browser = Browser(port)
        try:
            yield browser
        finally:
            browser.ask("DELETE", "")  # or it outlives its driver
    finally:
        driver.terminate()
        driver.wait(20)
