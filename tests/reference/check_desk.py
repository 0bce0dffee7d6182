#!/usr/bin/env python3
"""Uses `compband desk` in a real Chromium, on a copy of the demo's book, and fails where it is not sound.

usage: check_desk.py COMPBAND [--minutes N] [--pictures FOLDER] [--only NAME,...] [--seed N]

- `story`: one deal from its price to its sale, clicked through; the ledger is the one that the commands make of
  the same deal, and hledger reads it and agrees on every account.
- `keyboard`: a unit priced and a sale logged with Tab, arrows, Enter and letters alone.
- `axe`: axe-core finds no violation on any page, light and dark, 390 and 1280 pixels wide, and nothing scrolls
  sideways; with `--pictures`, a picture of each.
- `plain`: without scripts every page reads, and its buttons work.
- `inject`: hostile text in every field of every form: none of it runs, none comes back unescaped.
- `kill`: the server is killed while it writes, many times; the book opens, and every entry that was answered is in it
  once.
- `random`: N minutes (default 1) of random clicks and typing, with commands writing beside it, without a fault, and
  no entry is lost.

Needs Debian's chromium and chromium-driver, hledger for the story, and the npm registry for axe-core.
"""

import argparse
import collections
import csv
import glob
import http.client
import json
import os
import pathlib
import random
import re
import shutil
import sys
import tempfile
import threading
import time
from decimal import Decimal

import browser
from browser import Browser, Failed
from check_ledger import ACCOUNTS, by_hledger
from desk import (LEDGER, MODEL, PARCEL, VIEWS, Desk, amounts, compband, demo_book, fill, guards, lived_in, places,
                  press, recorded, settled, sound, tap)
from hostile import RAN, inject

def story(run):
    """One deal, clicked through."""
    with run.book() as book, run.book() as other, Desk(run.program, book) as desk, Browser() as page:
        page.go(desk.enter)
        recorded(page, desk, "fund", {"amount": "600"})

        page.go(f"{desk.home}/price")
        fill(page, "model", MODEL)
        page.one("[name=grade][value=B]")
        tap(page, "grade", "B")
        tap(page, "completeness", "usable")
        unit = [MODEL, "--grade", "B", "--completeness", "usable"]
        likely = json.loads(compband(run.program, book, "estimate", *unit, "--json"))["likely_price"]
        page.says(amounts(likely), "#answer")
        sound(page, desk)
        run.picture(page, "price")

        page.go(f"{desk.home}/buy")
        fill(page, "model", MODEL)
        page.one("[name=grade][value=B]")
        tap(page, "grade", "B")
        tap(page, "completeness", "usable")
        fill(page, "against", "82")
        fill(page, "inbound", "6")
        judged = json.loads(compband(run.program, book, "bid", *unit, "--inbound", "6", "--against", "82", "--json"))
        page.says(amounts(min(Decimal(aim["most"]) for aim in judged["aims"] if aim["most"])), "#answer")
        sound(page, desk)
        run.picture(page, "buy")

        paid = {"price": "70", "inbound": "6", "asked": "82", "grade": "B", "completeness": "usable"}
        recorded(page, desk, "buy", paid, MODEL)
        recorded(page, desk, "spend", {"deal": "d1", "amount": "14", "what": "new battery", "minutes": "30"})
        recorded(page, desk, "list", {"deal": "d1", "ask": "155", "outlet": PARCEL})

        page.go(f"{desk.home}/sell?unit=d1")
        fill(page, "offer", "125")
        page.says("125.00", "#answer")
        sound(page, desk)
        run.picture(page, "sell")
        before = len(desk.entries())
        press(page, "Note this offer")
        page.wait(lambda: len(desk.entries()) == before + 1, "the offer in the ledger")
        sound(page, desk)

        recorded(page, desk, "sold", {"deal": "d1", "price": "142", "outlet": PARCEL})
        page.go(f"{desk.home}/stock")
        sound(page, desk)
        run.picture(page, "stock")

        # The same deal by commands.
        by = lambda *args: compband(run.program, other, *args)
        by("ledger", "fund", "600")
        by("buy", *unit, "--asked", "82", "--price", "70", "--inbound", "6")
        by("spend", "d1", "14", "new battery", "--minutes", "30")
        by("list", "d1", "--ask", "155", "--outlet", PARCEL)
        by("offer", "d1", "125", "--outlet", PARCEL)
        by("sold", "d1", "--price", "142", "--outlet", PARCEL)
        ledgers = [(pathlib.Path(one) / LEDGER).read_text() for one in (book, other)]
        if ledgers[0] != ledgers[1]:
            raise AssertionError(f"the page's ledger is not the commands':\n{ledgers[0]}\n{ledgers[1]}")
        told = "the same as the commands'"
        if shutil.which("hledger"):
            journal = str(pathlib.Path(book) / "out.journal")
            compband(run.program, book, "ledger", "export", "--journal", journal)
            theirs = collections.defaultdict(Decimal)
            for account, amount in by_hledger(journal).items():
                theirs[":".join(account.split(":")[:2])] += amount
            ours = json.loads(compband(run.program, book, "ledger", "--json"))["accounts"]
            for name, account in ACCOUNTS.items():
                if theirs[account] != Decimal(ours[name]):
                    raise AssertionError(f"{account}: hledger's {theirs[account]} is not our {ours[name]}")
            told += f", balanced by hledger on {len(ACCOUNTS)} accounts"
        else:
            told += "; hledger is not here"
        return f"{len(desk.entries())} entries, {told}"


def focused(page):
    """Name, value, type and words of what has the focus."""
    return page.script(
        "const e = document.activeElement, l = e.labels && e.labels[0];"
        "return [e.name || '', e.value || '', e.type || e.localName, (l || e).textContent.trim()];")


def tab_to(page, fits, words):
    """Presses Tab until what has the focus fits."""
    for _ in range(250):
        page.press("Tab")
        if fits(focused(page)):
            outline = page.script(
                "const e = document.activeElement, s = getComputedStyle(e.type === 'radio' || e.type === 'checkbox' ?"
                " e.nextElementSibling : e); return s.outlineStyle !== 'none' && parseFloat(s.outlineWidth) >= 2;")
            if not outline:
                raise AssertionError(f"{words}: the focus is not shown")
            return
    raise AssertionError(f"{words}: not reached by Tab on {page.address()}")


def keyboard(run):
    """A unit is priced and a sale logged by keys alone."""
    with run.book() as book, Desk(run.program, book) as desk, Browser() as page:
        page.go(desk.enter)
        page.one("#answer")
        tab_to(page, lambda at: at[0] == "model", "the model")
        page.press(MODEL, "Escape", "Tab")
        page.one("[name=grade][value=B]")
        # The fields came anew: the focus is still where it was, or after it.
        page.press("Shift")
        tab_to(page, lambda at: at[0] == "grade", "the grade")
        for _ in range(12):
            if focused(page)[1] == "B":
                break
            page.press("Right")
            time.sleep(0.3)
        unit = [MODEL, "--grade", "B"]
        likely = json.loads(compband(run.program, book, "estimate", *unit, "--json"))["likely_price"]
        page.says(amounts(likely), "#answer")
        sound(page, desk)

        tab_to(page, lambda at: at[3] == "Sales" and at[2] == "a", "the link to the sales")
        page.press("Enter")
        page.one("[name=line]")
        before = sum(desk.sales().values())
        tab_to(page, lambda at: at[0] == "line", "the line")
        page.press(f"{MODEL} B usable 123.45 yesterday", "Enter")
        page.wait(lambda: sum(desk.sales().values()) == before + 1, "the sale in the book")
        row = list(desk.sales())
        if not any("123.45" in one for one in row):
            raise AssertionError("the sale is not as typed")
        sound(page, desk)
        return "priced and logged"


SIDEWAYS = """
const wide = document.documentElement.scrollWidth - innerWidth;
if (wide <= 0) return '';
const out = [...document.querySelectorAll('body *')].filter((e) => e.getBoundingClientRect().right > innerWidth + 1
  && !e.closest('.scroll, .chart'));
return `${wide} pixels: ` + out.slice(0, 3).map((e) => e.outerHTML.slice(0, 120)).join(' | ');
"""

IDS = """
const ids = [...document.querySelectorAll('[id]')].map((e) => e.id);
return ids.filter((id, at) => ids.indexOf(id) !== at);
"""


def axe(run):
    """axe-core on every page."""
    source, why = browser.axe_core()
    faults, pages = [], 0
    with run.book() as book:
        lived_in(run, book)
        with Desk(run.program, book) as desk, Browser() as page:
            page.go(desk.enter)
            for path in places():
                for width in (1280, 390):
                    page.size(width)
                    page.go(desk.home + path)
                    settled(page)
                    for scheme in ("light", "dark"):
                        page.scheme(scheme)
                        name = f"{path}, {width} pixels, {scheme}"
                        pages += 1
                        if source:
                            faults += [f"{name}: {one}" for one in page.violations(source)]
                        run.picture(page, f"{path}-{width}-{scheme}")
                    wide = page.script(SIDEWAYS)
                    if wide:
                        faults.append(f"{path}: scrolls sideways at {width} pixels by {wide}")
                twice = page.script(IDS)
                if twice:
                    faults.append(f"{path}: ids twice: {twice}")
                said = [one for one in page.log() if "status of 404" not in one or path != "/nothing"]
                if said:
                    faults.append(f"{path}: the console says {said}")
                if "This went wrong" in page.text():
                    faults.append(f"{path}: {page.text()[:300]}")
    if faults:
        raise AssertionError("\n".join(dict.fromkeys(faults)))
    return f"{pages} pages" + (f", but {why}" if why else ", no violation")


def plain(run):
    """Without scripts."""
    with run.book() as book, Desk(run.program, book) as desk, Browser(scripts=False) as page:
        lived_in(run, book)
        page.go(desk.enter)
        has_script = page.script("return document.documentElement.classList.contains('js');")
        if has_script:
            raise AssertionError("scripts run all the same")
        for view in VIEWS:
            page.go(desk.home + view)
            page.one("h1")
            page.one("#answer")
            page.wait(lambda: page.text("#answer").strip(), f"an answer on {view}")
        type_in = lambda css, text: page.type(page.one(css), text)
        button = lambda words: page.click(next(
            one for one in page.all("button") if page.script("return arguments[0].textContent;", one).startswith(words)))
        choose = lambda css: page.click(page.script("return arguments[0].closest('label');", page.one(css)))
        # Price.
        page.go(f"{desk.home}/price")
        type_in("[name=model]", MODEL)
        button("Show")
        choose("[name=grade][value=B]")
        button("Show")
        likely = json.loads(compband(run.program, book, "estimate", MODEL, "--grade", "B", "--json"))["likely_price"]
        page.says(amounts(likely), "#answer")
        # Buy.
        page.go(f"{desk.home}/buy")
        type_in("[name=model]", MODEL)
        button("Show")
        page.one("[name=against]")
        choose("[name=grade][value=B]")
        type_in("[name=against]", "82")
        button("Show")
        judged = json.loads(compband(run.program, book, "bid", MODEL, "--grade", "B", "--against", "82", "--json"))
        page.says(amounts(min(Decimal(aim["most"]) for aim in judged["aims"] if aim["most"])), "#answer")
        # Sell.
        page.go(f"{desk.home}/sell?unit=d3")
        type_in("[name=offer]", "125")
        button("Show")
        page.says("125.00", "#answer")
        # Sales.
        before = sum(desk.sales().values())
        page.go(f"{desk.home}/sales")
        type_in("[name=line]", f"{MODEL} B usable 120 yesterday")
        button("Log it")
        page.wait(lambda: sum(desk.sales().values()) == before + 1, "the sale in the book")
        # Stock and money.
        before = len(desk.entries())
        page.go(f"{desk.home}/stock?record=overhead")
        type_in("form[action='/stock/do'] [name=amount]", "3")
        type_in("form[action='/stock/do'] [name=what]", "tape")
        button("Record it")
        page.wait(lambda: len(desk.entries()) == before + 1, "the overhead in the ledger")
        # Watched.
        page.go(f"{desk.home}/watched")
        type_in("[name=model]", MODEL)
        button("Describe it")
        type_in("[name=name]", "plain")
        button("Watch it")
        page.says("Watching plain")
        button("Record these estimates")
        page.says("Recorded")
        # Was it right?
        page.go(f"{desk.home}/check")
        choose("[name=by][value=grade]")
        button("Show")
        page.wait(lambda: "grade B" in page.text("#answer") or press_again(page), "the groups")
        return "seven views read and work"


def press_again(page):
    """Looks again at a check that runs; false."""
    for one in page.all("#answer button"):
        if page.script("return arguments[0].textContent;", one) == "Look again":
            page.click(one)
            break
    return False


def kill(run):
    """The server is killed in the middle of writing."""
    rng = random.Random(run.seed)
    rounds, answered, lost = 25, 0, 0
    with run.book() as book, Desk(run.program, book) as desk:
        known = set()
        for n in range(rounds):
            desk.come_in()
            done = threading.Event()

            def write(n=n):
                link = http.client.HTTPConnection("127.0.0.1", desk.port, timeout=60)
                for m in range(10_000):
                    what = f"round {n} entry {m}"
                    try:
                        _, _, page = desk.ask("GET", "/stock?record=overhead", link=link)
                        fields = [("record", "overhead"), ("amount", "0.01"), ("what", what), *guards(page)]
                        status, _, body = desk.ask("POST", "/stock/do", fields, link=link)
                    except (OSError, http.client.HTTPException):
                        return
                    if status != 303:
                        known.add(f"refused: {body[:300]}")
                        return
                    known.add(what)
                    done.set()

            thread = threading.Thread(target=write)
            thread.start()
            done.wait(60)
            time.sleep(rng.uniform(0, 0.4))
            desk.kill()
            thread.join()
            desk.start()
        refused = [one for one in known if one.startswith("refused")]
        if refused:
            raise AssertionError(refused[0])
        desk.come_in()
        status, _, _ = desk.ask("GET", "/stock")
        if status != 200:
            raise AssertionError(f"the book does not open: {status}")
        with open(desk.book / LEDGER, newline="", encoding="utf-8") as file:
            told = collections.Counter(cell for row in csv.reader(file) for cell in row if cell.startswith("round "))
        lost = [what for what in known if told[what] != 1]
        twice = [what for what, times in told.items() if times != 1]
        if lost or twice:
            raise AssertionError(f"of {len(known)} entries: lost {lost[:5]}, twice {twice[:5]}")
        answered = len(known)
        compband(run.program, book, "ledger", "--json")
    return f"killed {rounds} times, {answered} entries were answered, all are there once"


WORDS = [MODEL, "Bolv 83V", "120", "0", "-1", "1e9", "1,234.56", "d1", "d3", "61k", "yesterday", "battery x2", "B",
         "", "x" * 300, "=1+1", RAN, "ä\u202e€", "31.02.2026", "2026-11-20", "10 %", "parcel", "0.9", "tape",
         f"{MODEL} B usable 120 yesterday", "Bolv 83V A 80+4.90 today", "display"]

THINGS = """
const seen = (e) => e.getClientRects().length > 0 && getComputedStyle(e).visibility !== 'hidden';
return [...document.querySelectorAll('a[href^="/"], input:not([type=hidden]):not([type=file]), select, textarea, button,'
  + ' summary')].filter((e) => seen(e.closest('label') || e));
"""

DO = """
const [thing, text] = arguments;
if (!thing.isConnected) return 'gone';
const kind = thing.type || thing.localName;
if (['text', 'textarea', 'date'].includes(kind)) {
  const of = thing instanceof HTMLTextAreaElement ? HTMLTextAreaElement : HTMLInputElement;
  Object.getOwnPropertyDescriptor(of.prototype, 'value').set.call(thing, text);
  thing.dispatchEvent(new Event('input', { bubbles: true }));
  if (Math.random() < 0.7) thing.dispatchEvent(new Event('change', { bubbles: true }));
} else if (kind.startsWith('select')) {
  thing.selectedIndex = Math.floor(Math.random() * thing.options.length);
  thing.dispatchEvent(new Event('change', { bubbles: true }));
} else {
  setTimeout(() => thing.click());
}
return kind;
"""


def monkey(run):
    """Random clicks and typing, with commands writing beside it."""
    rng = random.Random(run.seed)
    actions, logged, refused = 0, [], 0
    with run.book() as book:
        lived_in(run, book)
        with Desk(run.program, book) as desk, Browser() as page:
            page.go(desk.enter)
            ledger, sales, undone = desk.entries(), desk.sales(), set()
            end = time.monotonic() + 60 * run.minutes
            while time.monotonic() < end:
                actions += 1
                if rng.random() < 0.02:
                    page.go(desk.home + rng.choice(places()))
                if rng.random() < 0.01:
                    # A command at the same time.
                    name = f"beside-{len(logged)}"
                    compband(run.program, book, "log", "--model", MODEL, "--price", "130", "--sold-on",
                             "2026-11-20", "--grade", "B", "--id", name)
                    logged.append(name)
                try:
                    things = page.script(THINGS)
                    if not things:
                        page.go(desk.home + rng.choice(places()))
                        continue
                    page.script(DO, rng.choice(things), rng.choice(WORDS))
                except Failed as error:
                    # The page went on meanwhile.
                    if error.kind not in ("stale element reference", "javascript error", "no such element",
                                          "unexpected alert open"):
                        raise
                    if error.kind == "unexpected alert open":
                        raise AssertionError("an alert was opened") from error
                    refused += 1
                if rng.random() < 0.3:
                    time.sleep(rng.uniform(0, 0.2))
                if actions % 20 == 0:
                    ledger, sales = whole(page, desk, ledger, sales, undone)
            time.sleep(2)
            ledger, sales = whole(page, desk, ledger, sales, undone)
            ids = {cell for row in sales for cell in row[:2]} | undone
            missing = [name for name in logged if name not in ids]
            if missing:
                raise AssertionError(f"sales that commands logged are gone: {missing}")
        compband(run.program, book, "ledger", "--json")
        compband(run.program, book, "models")
    return f"{actions} actions in {run.minutes} minutes, {len(ledger)} entries, {len(logged)} commands beside; no fault"


def whole(page, desk, ledger, sales, undone):
    """Nothing failed, and nothing that was written is gone but what was undone; what is there now."""
    if desk.process.poll() is not None:
        raise AssertionError(f"the desk ended: {desk.said()}")
    if "panicked" in desk.said():
        raise AssertionError(desk.said())
    text = page.text()
    if "This went wrong" in text or "cannot be opened" in text:
        raise AssertionError(f"{page.address()}: {text[:500]}")
    if page.script("return window.ran || null;"):
        raise AssertionError(f"{page.address()}: text of the book ran")
    said = [line for line in page.log() if " 500 " in line or "Content Security Policy" in line or "TypeError" in line]
    if said:
        raise AssertionError(f"{page.address()}: the console says {said}")
    now = desk.entries()
    if now[:len(ledger)] != ledger:
        raise AssertionError("an entry of the ledger is gone")
    there = desk.sales()
    for path in glob.glob(str(desk.book / "undone" / "**" / "*.csv"), recursive=True):
        with open(path, newline="", encoding="utf-8") as file:
            for row in csv.reader(file):
                undone.update(row[:2])
    gone = [row for row in sales - there if not undone.intersection(row[:2])]
    if gone:
        raise AssertionError(f"sales are gone that nobody undid: {gone[:3]}")
    return now, there


class Run:
    """What the checks share."""

    def __init__(self, args):
        self.program = os.path.abspath(args.program)
        self.minutes, self.seed, self.pictures = args.minutes, args.seed, args.pictures
        self.made = tempfile.mkdtemp(prefix="demo-book-")
        demo_book(self.program, pathlib.Path(self.made))
        if self.pictures:
            os.makedirs(self.pictures, exist_ok=True)

    def book(self):
        """A copy of the demo's book that goes away."""
        folder = tempfile.TemporaryDirectory(prefix="book-")
        shutil.copytree(self.made, folder.name, dirs_exist_ok=True)
        return folder

    def picture(self, page, name):
        if self.pictures:
            page.picture(os.path.join(self.pictures, re.sub(r"[^\w.-]+", "_", name).strip("_") + ".png"))


CHECKS = {"story": story, "keyboard": keyboard, "plain": plain, "axe": axe, "inject": inject, "kill": kill,
          "random": monkey}


def main():
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("program")
    parser.add_argument("--minutes", type=float, default=1)
    parser.add_argument("--pictures")
    parser.add_argument("--only", default=",".join(CHECKS))
    parser.add_argument("--seed", type=int, default=random.randrange(10**6))
    args = parser.parse_args()
    if not browser.installed():
        sys.exit("chromium and chromedriver are not here (Debian: chromium, chromium-driver)")
    run, failed = Run(args), []
    try:
        for name in args.only.split(","):
            begun = time.monotonic()
            try:
                said = CHECKS[name](run)
            except (AssertionError, Failed, OSError) as error:
                failed.append(name)
                said = f"FAILED (seed {run.seed}): {type(error).__name__}: {error}"
            print(f"{name}: {said} ({time.monotonic() - begun:.0f} s)", flush=True)
    finally:
        shutil.rmtree(run.made, ignore_errors=True)
    if failed:
        sys.exit(f"not sound: {', '.join(failed)}")


if __name__ == "__main__":
    main()
