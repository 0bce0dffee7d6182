"""Hostile text for every field of every form of the desk, and what shows that it was taken for markup."""

import collections
import csv
import datetime
import html.parser
import random
import urllib.parse

from browser import Browser
from desk import MODEL, Desk, compband, lived_in, places, settled

RAN = "<img src=x onerror=window.ran=1>"
HOSTILE = [
    RAN,
    "\"><script>window.ran=1</script>",
    "' onfocus=window.ran=1 autofocus x='",
    "</textarea></title><svg onload=window.ran=1>",
    "=HYPERLINK(\"http://127.0.0.1:9/\",\"x\")",
    "a\0b\u202ec",
    "javascript:window.ran=1",
]
# What must not stand in a page as it was sent.
UNESCAPED = ["<img src=x", "<script>window", "<svg onload"]
# Characters that no text of a page may hold: fields give back what was typed.
UNSEEN = "\0\u202e"

class Forms(html.parser.HTMLParser):
    """The forms of a page with their fields."""

    def __init__(self, path, text):
        super().__init__()
        self.path, self.all, self.field = path, [], None
        self.feed(text)

    def handle_starttag(self, tag, attributes):
        said = dict(attributes)
        if tag == "form":
            action = said.get("action") or self.path
            self.all.append({"action": action, "method": said.get("method") or "get", "fields": [],
                             "file": "multipart" in (said.get("enctype") or "")})
        elif tag in ("input", "select", "textarea") and self.all and said.get("name"):
            kind = tag if tag != "input" else said.get("type") or "text"
            self.field = {"name": said["name"], "kind": kind, "mode": said.get("inputmode") or "",
                          "value": said.get("value") or "", "values": []}
            self.all[-1]["fields"].append(self.field)
        elif tag == "option" and self.field:
            self.field["values"].append(said.get("value") or "")


def filled(form, text, everywhere, rng):
    """The fields of a form with hostile text: in all of them, or in those for text with good values in the others."""
    fields, radios = [], collections.defaultdict(list)
    for field in form["fields"]:
        kind, name = field["kind"], field["name"]
        if kind == "file":
            continue
        if kind == "hidden":
            fields.append((name, field["value"]))
        elif kind == "radio":
            radios[name].append(field["value"])
        elif everywhere:
            fields.append((name, text))
        elif kind == "checkbox":
            if rng.random() < 0.3:
                fields.append((name, field["value"]))
        elif kind.startswith("select"):
            fields.append((name, rng.choice(field["values"] or [""])))
        elif kind == "date":
            fields.append((name, str(datetime.date.today())))
        elif field["mode"] == "decimal":
            fields.append((name, rng.choice(["12", "3.50", ""])))
        elif name == "model":
            fields.append((name, rng.choice([MODEL, text])))
        else:
            fields.append((name, text))
    fields += [(name, text if everywhere else rng.choice(values)) for name, values in radios.items()]
    return fields


def inject(run):
    """Hostile text in every field of every form."""
    rng = random.Random(run.seed)
    sent, wrote = 0, 0
    with run.book() as book:
        lived_in(run, book)
        with Desk(run.program, book) as desk, Browser() as page:
            page.go(desk.enter)
            desk.cookie = page.cookies()
            addresses = places()
            for path in addresses:
                forms = lambda: [one for one in Forms(path, desk.ask("GET", path)[2]).all if not one["file"]]
                for at in range(len(forms())):
                    texts = [(True, text) for text in HOSTILE] + [(False, text) for text in rng.sample(HOSTILE, 3)]
                    for everywhere, text in texts:
                        # A form is good once, and for the book as it is now.
                        fresh = forms()
                        if at < len(fresh):
                            sent += 1
                            wrote += inject_one(desk, fresh[at], filled(fresh[at], text, everywhere, rng))
            # What was stored is shown by these.
            model = urllib.parse.quote_plus(RAN)
            for path in addresses + [f"/price?model={model}", f"/check?model={model}", f"/sales?by=form&model={model}"]:
                status, _, body = desk.ask("GET", path)
                unescaped(path, status, body)
                page.go(desk.home + path)
                settled(page)
                stray = page.script(
                    "return [window.ran, document.querySelector('img[src=x], svg[onload], [onfocus], [onerror]')]")
                if stray != [None, None]:
                    raise AssertionError(f"{path}: text of the book became markup: {stray}")
                said = [line for line in page.log() if "404" not in line]
                if said:
                    raise AssertionError(f"{path}: the console says {said}")
            for path in ("/stock/years", "/price/models?q="):
                status, _, body = desk.ask("GET", path)
                for row in csv.reader(body.splitlines()):
                    if any(cell.startswith(("=", "@", "\t")) for cell in row):
                        raise AssertionError(f"{path}: a formula in a cell: {row}")
        # The book is whole.
        compband(run.program, book, "ledger", "--json")
        compband(run.program, book, "models")
    return f"{sent} forms sent, {wrote} of them were taken; nothing ran"


def unescaped(path, status, body):
    if status >= 500:
        raise AssertionError(f"{path}: {status}: {body[:600]}")
    for text in UNESCAPED:
        if text in body:
            at = body.index(text)
            raise AssertionError(f"{path}: unescaped: {body[max(0, at - 200):at + 100]!r}")
    Markup(path).feed(body)


class Markup(html.parser.HTMLParser):
    """Fails on markup that no page of the desk has: scripts in it, styles, addresses elsewhere."""

    def __init__(self, path):
        super().__init__()
        self.path, self.within = path, ""

    def handle_data(self, data):
        if self.within != "textarea" and any(one in data for one in UNSEEN):
            raise AssertionError(f"{self.path}: {data!r} is shown")

    def handle_starttag(self, tag, attributes):
        said, self.within = dict(attributes), tag
        if any(one in (text or "") for name, text in attributes if name not in ("name", "value") for one in UNSEEN):
            raise AssertionError(f"{self.path}: <{tag}> with {said}")
        inline = tag == "script" and said.get("src") != "/desk.js" or tag in ("style", "iframe", "object", "embed", "base")
        handlers = [name for name in said if name.startswith("on") or name in ("style", "autofocus", "srcdoc")]
        leads = [said.get(name) or "/" for name in ("href", "src", "action", "formaction")]
        elsewhere = [to for to in leads if not (to[0] in "/#?" or to == "data:,") or to.startswith("//")]
        if inline or handlers or elsewhere:
            raise AssertionError(f"{self.path}: <{tag}> with {said}")


def inject_one(desk, form, fields):
    """Sends a form by plain HTTP; whether it was taken."""
    text = dict(fields)
    path = urllib.parse.urlparse(form["action"]).path
    if form["method"] == "get":
        status, to, body = desk.ask("GET", f"{path}?{urllib.parse.urlencode(fields)}")
    else:
        status, to, body = desk.ask("POST", path, fields)
    unescaped(f"{path} with {text!r}", status, body)
    if to:
        if not to.startswith("/") or to.startswith("//"):
            raise AssertionError(f"{path}: leads to {to}")
        status, _, body = desk.ask("GET", to)
        unescaped(f"{path} with {text!r}, then {to}", status, body)
    return status in (200, 303) and bool(to)
