"""A browser for the checks of pages: Chromium by its driver over plain HTTP (W3C WebDriver), and axe-core.

Only the standard library is used. `chromium` and `chromedriver` are Debian's packages chromium and
chromium-driver. axe-core comes from the npm registry, a pinned version whose hash is checked.
"""

import base64
import hashlib
import http.client
import io
import json
import os
import shutil
import socket
import subprocess
import tarfile
import tempfile
import time
import urllib.request

AXE = "https://registry.npmjs.org/axe-core/-/axe-core-4.14.1.tgz"
AXE_SHA512 = "FHfa+lmNjQZfJz1q8wKqIDwC6DExcHt/pkjNQb09a3NPjCKg2rhu5qb2S4r76ASyFNNtuFooJpZe37OgudVGtQ=="

ELEMENT = "element-6066-11e4-a52e-4f735466cecf"

KEYS = {
    "Tab": "\ue004", "Enter": "\ue007", "Escape": "\ue00c", "Space": " ", "Left": "\ue012", "Up": "\ue013",
    "Right": "\ue014", "Down": "\ue015", "Shift": "\ue008", "Control": "\ue009", "End": "\ue010", "Home": "\ue011",
    "Backspace": "\ue003",
}

# Longest wait for what a page is to show.
PATIENCE = 60


def installed():
    """Whether there is a browser with its driver."""
    return bool(shutil.which("chromium") and shutil.which("chromedriver"))


def axe_core():
    """The source of axe-core, or None and why not."""
    cached = os.path.join(tempfile.gettempdir(), "axe-core-4.14.1.tgz")
    try:
        if os.path.exists(cached):
            with open(cached, "rb") as file:
                archive = file.read()
        else:
            with urllib.request.urlopen(AXE, timeout=60) as answer:
                archive = answer.read()
    except OSError as error:
        return None, f"axe-core cannot be fetched: {error}"
    if base64.b64encode(hashlib.sha512(archive).digest()).decode() != AXE_SHA512:
        return None, "axe-core is not the version that was asked for"
    if not os.path.exists(cached):
        with open(cached + ".new", "wb") as file:
            file.write(archive)
        os.replace(cached + ".new", cached)
    with tarfile.open(fileobj=io.BytesIO(archive)) as files:
        return files.extractfile("package/axe.min.js").read().decode(), ""


class Failed(Exception):
    """An answer of the driver that is an error."""

    def __init__(self, kind, message):
        super().__init__(f"{kind}: {message.splitlines()[0] if message else ''}")
        self.kind = kind


class Browser:
    """A browser with one window; use it in `with`."""

    def __init__(self, scripts=True, size=(1280, 900)):
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.driver = subprocess.Popen(
            ["chromedriver", f"--port={self.port}"], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        self.link = None
        self.session = ""
        self.profile = tempfile.mkdtemp(prefix="chromium-")
        options = {
            "args": ["--headless=new", "--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage",
                     f"--user-data-dir={self.profile}", f"--window-size={size[0]},{size[1]}",
                     # A real browser would look for pages of its own maker.
                     "--disable-background-networking", "--no-first-run"],
            "binary": shutil.which("chromium"),
        }
        if not scripts:
            options["prefs"] = {"profile.managed_default_content_settings.javascript": 2}
        wanted = {"browserName": "chrome", "goog:chromeOptions": options,
                  "goog:loggingPrefs": {"browser": "ALL"}, "unhandledPromptBehavior": "ignore"}
        begun = time.monotonic()
        while True:
            try:
                made = self.ask("POST", "/session", {"capabilities": {"alwaysMatch": wanted}})
                break
            except (OSError, http.client.HTTPException):
                self.link = None
                if time.monotonic() - begun > PATIENCE:
                    raise
                time.sleep(0.1)
        self.session = f"/session/{made['sessionId']}"

    def __enter__(self):
        return self

    def __exit__(self, *_):
        try:
            self.ask("DELETE", "")
        except (OSError, http.client.HTTPException, Failed):
            pass
        self.driver.terminate()
        self.driver.wait()
        shutil.rmtree(self.profile, ignore_errors=True)

    def ask(self, method, path, body=None):
        """Sends a command to the driver."""
        if self.link is None:
            self.link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=180)
        data = json.dumps(body if body is not None else {}).encode() if method == "POST" else None
        self.link.request(method, self.session + path, data, {"Content-Type": "application/json"})
        answer = json.loads(self.link.getresponse().read())["value"]
        if isinstance(answer, dict) and "error" in answer:
            raise Failed(answer["error"], answer.get("message", ""))
        return answer

    def go(self, address):
        self.ask("POST", "/url", {"url": address})

    def address(self):
        return self.ask("GET", "/url")

    def script(self, text, *args):
        """The value of a function body in the page."""
        return self.ask("POST", "/execute/sync", {"script": text, "args": list(args)})

    def later(self, text, *args):
        """The value that a function body hands to its last argument."""
        return self.ask("POST", "/execute/async", {"script": text, "args": list(args)})

    def devtools(self, command, **params):
        return self.ask("POST", "/goog/cdp/execute", {"cmd": command, "params": params})

    def all(self, css, within=None):
        place = f"/element/{within[ELEMENT]}" if within else ""
        return self.ask("POST", f"{place}/elements", {"using": "css selector", "value": css})

    def one(self, css):
        """The first element that there is, soon."""
        return self.wait(lambda: next(iter(self.all(css)), None), css)

    def wait(self, what, words):
        """What is, once it is; an error with these words if it never is."""
        begun = time.monotonic()
        while True:
            try:
                found = what()
            except Failed as error:
                if error.kind not in ("stale element reference", "no such element", "javascript error"):
                    raise
                found = None
            if found:
                return found
            if time.monotonic() - begun > PATIENCE:
                raise AssertionError(f"{words}: not there after {PATIENCE} s on {self.address()}:\n{self.text()}")
            time.sleep(0.05)

    def click(self, element):
        self.ask("POST", f"/element/{element[ELEMENT]}/click")

    def type(self, element, text):
        self.ask("POST", f"/element/{element[ELEMENT]}/value", {"text": text})

    def press(self, *keys):
        """Presses keys, wherever the focus is: names of `KEYS`, or text."""
        actions = []
        for key in keys:
            for character in KEYS.get(key, key):
                actions += [{"type": "keyDown", "value": character}, {"type": "keyUp", "value": character}]
        device = {"type": "key", "id": "keys", "actions": actions}
        self.ask("POST", "/actions", {"actions": [device]})

    def text(self, css="body"):
        """The text of an element as it is seen, with plain spaces."""
        text = self.script("const e = document.querySelector(arguments[0]); return e ? e.innerText : '';", css)
        return text.replace("\xa0", " ")

    def says(self, words, css="body"):
        """Waits until a part of the page says something."""
        self.wait(lambda: words in self.text(css), words)

    def log(self):
        """What the console said since the last call."""
        return [entry["message"] for entry in self.ask("POST", "/se/log", {"type": "browser"})]

    def size(self, width, height=900):
        self.devtools("Emulation.setDeviceMetricsOverride", width=width, height=height, deviceScaleFactor=1,
                      mobile=False)

    def scheme(self, name):
        self.devtools("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": name}])

    def picture(self, path):
        """A picture of the window."""
        with open(path, "wb") as file:
            file.write(base64.b64decode(self.ask("GET", "/screenshot")))

    def cookies(self):
        return "; ".join(f"{one['name']}={one['value']}" for one in self.ask("GET", "/cookie"))

    def violations(self, axe):
        """What axe-core finds, one line for each place."""
        self.script(axe + "\n;window.axe = axe;")
        result = self.later(
            "axe.run(document, {resultTypes: ['violations']}).then(arguments[0], e => arguments[0]({error: String(e)}))"
        )
        if "error" in result:
            raise AssertionError(f"axe-core: {result['error']}")
        if len(result["passes"]) < 15:
            raise AssertionError("axe-core looked at next to nothing")
        return [
            f"{one['id']}: {node['html'][:160]} {node.get('failureSummary', '')}"
            for one in result["violations"] for node in one["nodes"]
        ]
