"""A running desk, and what the checks of its pages share."""

import collections
import csv
import datetime
import glob
import http.client
import os
import pathlib
import re
import shutil
import signal
import subprocess
import tempfile
import urllib.parse
from decimal import Decimal

ROOT = pathlib.Path(__file__).resolve().parents[2]
MODEL = "Nulva 61K"
PARCEL = "parcel"
LEDGER = "deals/ledger.csv"

VIEWS = ["/price", "/buy", "/sell", "/sales", "/stock", "/watched", "/check"]


def compband(program, book, *args, ok=True):
    done = subprocess.run([program, *args], text=True, capture_output=True, env={**os.environ, "COMPBAND_BOOK": str(book)})
    if ok and done.returncode != 0:
        raise AssertionError(f"compband {' '.join(args)}: {done.stderr}")
    return done.stdout


def demo_book(program, folder):
    """A book with the records of the demo."""
    compband(program, folder, "init", str(folder))
    shutil.copy(ROOT / "demo/compband.toml", folder)
    compband(program, folder, "import", str(ROOT / "demo/sales-2025.csv"))
    compband(program, folder, "import", "--mapping", "sheet", str(ROOT / "demo/sales-2026.csv"))


class Desk:
    """A desk that runs for a book; use it in `with`."""

    def __init__(self, program, book):
        self.program, self.book = program, pathlib.Path(book)
        self.errors = tempfile.TemporaryFile("w+")
        self.start()

    def start(self, port="0"):
        self.process = subprocess.Popen(
            [self.program, "desk", "--no-browser", "--port", port], text=True, stdout=subprocess.PIPE,
            stderr=self.errors, env={**os.environ, "COMPBAND_BOOK": str(self.book)},
        )
        line = self.process.stdout.readline()
        found = re.search(r"(http://127\.0\.0\.1:(\d+))/enter/\w+", line)
        if not found:
            raise AssertionError(f"the desk does not start: {line} {self.said()}")
        self.enter, self.home, self.port = found.group(0), found.group(1), int(found.group(2))
        self.cookie = ""

    def said(self):
        self.errors.seek(0)
        return self.errors.read()

    def __enter__(self):
        return self

    def __exit__(self, *error):
        self.process.terminate()
        self.process.wait()
        said = self.said()
        if error[0] is None and "panicked" in said:
            raise AssertionError(f"the desk panicked: {said}")

    def kill(self):
        """Ends it at once, and starts it again."""
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def come_in(self):
        """Takes the cookie by plain HTTP."""
        link = http.client.HTTPConnection("127.0.0.1", self.port, timeout=60)
        link.request("GET", self.enter[len(self.home):])
        answer = link.getresponse()
        self.cookie = answer.getheader("Set-Cookie").split(";")[0]
        link.close()

    def ask(self, method, path, fields=None, link=None):
        """Status, address to go to, and text of an answer by plain HTTP."""
        own = link or http.client.HTTPConnection("127.0.0.1", self.port, timeout=120)
        headers = {"Cookie": self.cookie, "Origin": self.home, "Sec-Fetch-Site": "same-origin"}
        body = None
        if method == "POST":
            headers["Content-Type"] = "application/x-www-form-urlencoded"
            body = urllib.parse.urlencode(fields or [])
        own.request(method, path, body, headers)
        answer = own.getresponse()
        text = answer.read().decode("utf-8", "replace")
        return answer.status, answer.getheader("Location"), text

    def entries(self):
        """The lines of the ledger."""
        path = self.book / LEDGER
        return path.read_text().splitlines()[1:] if path.exists() else []

    def sales(self):
        """The rows of all sales."""
        rows = collections.Counter()
        for path in glob.glob(str(self.book / "comps" / "*.csv")):
            with open(path, newline="", encoding="utf-8") as file:
                rows.update(tuple(row) for row in list(csv.reader(file))[1:])
        return rows


def sound(page, desk):
    """The page is one of the desk, and nothing failed on it."""
    text = page.text()
    if "This went wrong" in text or "A fault of the program" in text:
        raise AssertionError(f"{page.address()}: a fault: {text[:400]} {desk.said()}")
    said = [line for line in page.log() if "favicon" not in line]
    if said:
        raise AssertionError(f"{page.address()}: the console says {said}")


FIND = """
const want = arguments[0], place = arguments[1] || 'body';
const clean = (t) => t.replace(/\\s+/g, ' ').trim().toLowerCase();
const seen = (e) => e.getClientRects().length > 0;
const within = [...document.querySelectorAll(place)];
for (const part of within) for (const d of part.querySelectorAll('details')) d.open = true;
const all = (css) => within.flatMap((part) => [...part.querySelectorAll(css)]);
const named = all(`[name="${CSS.escape(want)}"]`).filter((e) => e.type !== 'hidden' && seen(e.closest('label') || e));
if (named.length) return named[0];
const labels = all('label').filter(seen);
const label = labels.find((l) => clean(l.textContent) === clean(want)) ||
  labels.find((l) => clean(l.textContent).startsWith(clean(want)));
return label ? label.control : null;
"""

SET = """
const [field, value] = arguments;
if (field.type === 'checkbox') { if (!field.checked) field.closest('label').click(); return; }
const kind = field instanceof HTMLTextAreaElement ? HTMLTextAreaElement
  : field instanceof HTMLSelectElement ? HTMLSelectElement : HTMLInputElement;
Object.getOwnPropertyDescriptor(kind.prototype, 'value').set.call(field, value);
field.dispatchEvent(new Event('input', { bubbles: true }));
field.dispatchEvent(new Event('change', { bubbles: true }));
"""


def fill(page, name, value, place=None):
    """Types into the field with a name or a label."""
    field = page.wait(lambda: page.script(FIND, name, place), f"the field {name}")
    kind = page.script("return arguments[0].type;", field)
    if kind in ("text", "textarea"):
        page.script("arguments[0].value = '';", field)
        page.type(field, value)
        page.script("arguments[0].dispatchEvent(new Event('change', { bubbles: true }));", field)
    else:
        page.script(SET, field, value)


def tap(page, name, value, place=None):
    """Taps the choice of a name with a value."""
    css = f'{place or "body"} input[name="{name}"][value="{value}"]'
    page.one(css)
    page.wait(lambda: page.script(
        "const e = document.querySelector(arguments[0]); if (!e) return false;"
        "if (!e.checked) e.closest('label').click(); return e.checked;", css), f"{name} {value}")


def press(page, words, place=None):
    """Presses the button with these words."""
    page.wait(lambda: page.script(
        "const all = [...document.querySelectorAll((arguments[1] || 'body') + ' button')];"
        "const b = all.find((b) => b.getClientRects().length && b.textContent.trim().startsWith(arguments[0]));"
        "if (!b) return false; b.scrollIntoView({block: 'center'}); setTimeout(() => b.click()); return true;",
        words, place), f"the button {words}")


def recorded(page, desk, what, fields, model=None):
    """Records something by its form on Stock and money; waits until it is in the ledger."""
    before = len(desk.entries())
    address = f"{desk.home}/stock?record={what}"
    if model:
        page.go(f"{desk.home}/stock?record={what}")
        fill(page, "model", model, "form.live")
        page.one("form[action='/stock/do'] [name=price]")
    else:
        page.go(address)
    place = "form[action='/stock/do']"
    for name, value in fields.items():
        if name in ("grade", "completeness"):
            tap(page, name, value, place)
        else:
            fill(page, name, value, place)
    press(page, "Record it", place)
    page.wait(lambda: len(desk.entries()) == before + 1, f"{what} in the ledger")
    sound(page, desk)


def amounts(value):
    """An amount as pages may write it."""
    return f"{Decimal(value):.2f}"


def lived_in(run, book):
    """Puts some of everything into a book."""
    by = lambda *args: compband(run.program, book, *args)
    days = lambda ago: str(datetime.date.today() - datetime.timedelta(days=ago))
    unit = [MODEL, "--grade", "B", "--completeness", "usable"]
    by("ledger", "fund", "600", "--date", days(60))
    by("part", "add", "display", "--fits", "Tumrik QN 948", "--cost", "22", "--date", days(50))
    by("buy", *unit, "--price", "70", "--inbound", "6", "--date", days(45))
    by("buy", "Tumrik QN 948", "--price", "22", "--grade", "B", "--completeness", "full", "--date", days(40))
    by("buy", *unit, "--price", "75", "--date", days(30))
    by("list", "d1", "--ask", "160", "--outlet", PARCEL, "--date", days(28))
    by("list", "d3", "--ask", "165", "--outlet", PARCEL, "--date", days(20))
    by("offer", "d3", "120", "--outlet", PARCEL, "--date", days(10))
    by("sold", "d1", "--price", "142", "--outlet", PARCEL, "--date", days(9))
    by("watch", "add", "61k", *("--model", MODEL), *unit[1:])
    by("refresh", "--as-of", days(20))
    by("refresh", "--as-of", days(5))


def places():
    """Every kind of page, of a book that is lived in."""
    model = urllib.parse.quote_plus(MODEL)
    described = f"model={model}&grade=B&completeness=usable"
    stock = ["buy", "fund", "draw", "overhead", "part", "drop", "reverse", "spend", "list", "unlist", "sold", "use",
             "harvest", "scrap", "refund"]
    return VIEWS + [
        f"/price?{described}&missing=charger", "/price?model=nothing+like+it", "/buy?unit=61k", f"/buy?{described}",
        "/buy/several", "/sell?unit=d3", "/sell?unit=d2", f"/sell?{described}", "/sales?by=form",
        f"/sales?by=form&model={model}", "/sales?undo=last", "/stock?deal=d1", "/stock?deal=d3",
        f"/stock?record=buy&model={model}", f"/watched?{described}", "/check?by=grade", f"/check?model={model}",
        "/nothing",
    ] + [f"/stock?record={one}" for one in stock]


def settled(page):
    """Waits for what a page fetches, and opens what is folded."""
    page.wait(lambda: page.script("return document.readyState === 'complete';"), "the page")
    page.wait(lambda: "The check runs" not in page.text("#answer"), "the check")
    page.script("document.querySelectorAll('details').forEach((d) => { d.open = true; });")


def guards(text):
    """The hidden fields that guard a form that writes."""
    one = lambda name: re.search(f'name="{name}" value="([0-9a-f]*)"', text).group(1)
    return [("seen", one("seen")), ("once", one("once"))]
