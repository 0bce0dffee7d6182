#!/usr/bin/env python3
"""Types sales into the prompt of `compband log` through a pseudo terminal, and reads what the book kept.

usage: check_prompt.py COMPBAND

COMPBAND is the program. The terminal is 80 columns wide, and once 30; what a person sees there is
compared after the moves of the cursor are taken out.
"""

import csv
import datetime
import fcntl
import os
import pty
import re
import select
import shutil
import signal
import struct
import subprocess
import sys
import tempfile
import termios
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
TODAY = datetime.date.today()
PATIENCE = 20.0
STEER = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


class Prompt:
    """A run of `compband log`, or of another command, at a terminal."""

    def __init__(self, compband, book, columns=80, command=("log",)):
        self.pid, self.terminal = pty.fork()
        if self.pid == 0:
            os.environ.update(TERM="xterm", NO_COLOR="1")
            os.environ.pop("COMPBAND_BOOK", None)
            os.execv(compband, [compband, "--book", str(book), *command])
        fcntl.ioctl(self.terminal, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        self.came, self.read_to = "", 0
        self.status = None

    def read(self, until):
        """Waits until a text comes behind what was read; returns what stood before it."""
        end = time.monotonic() + PATIENCE
        while (at := self.plain().find(until, self.read_to)) < 0:
            ready, _, _ = select.select([self.terminal], [], [], max(0.0, end - time.monotonic()))
            if not ready:
                sys.exit(f"waited in vain for {until!r}; there came:\n{self.plain()[self.read_to:]}")
            try:
                self.came += os.read(self.terminal, 65536).decode()
            except OSError:
                sys.exit(f"it ended before {until!r}; there came:\n{self.plain()[self.read_to:]}")
        seen = self.plain()[self.read_to : at]
        self.read_to = at + len(until)
        return seen

    def plain(self):
        return STEER.sub("", self.came)

    def answer(self, question, keys="", enter=True):
        """Waits for a question and types; returns what was seen before."""
        seen = self.read(question)
        # A key at a time, as a person types, so that each is seen by the program's own editing.
        for key in re.findall("\x1b\\[.|.", keys, re.S):
            os.write(self.terminal, key.encode())
            time.sleep(0.01)
        if enter:
            os.write(self.terminal, b"\r")
        return seen

    def end(self):
        """What comes to the end; the exit code is kept."""
        while True:
            try:
                more = os.read(self.terminal, 65536).decode()
            except OSError:
                break
            if not more:
                break
            self.came += more
        _, status = os.waitpid(self.pid, 0)
        self.status = os.waitstatus_to_exitcode(status)
        return self.plain()[self.read_to :]


def expect(holds, what):
    if not holds:
        sys.exit(what)


def logged(book):
    path = book / "comps/logged.csv"
    return list(csv.DictReader(path.open(newline=""))) if path.exists() else []


def new_book(compband, folder):
    subprocess.run([compband, "init", folder], check=True, capture_output=True)
    shutil.copy(ROOT / "demo/compband.toml", folder)
    subprocess.run([compband, "--book", folder, "import", ROOT / "demo/sales-2025.csv"], check=True, capture_output=True)
    return Path(folder)


def rest(prompt, price, **said):
    """Answers what comes after the model; Enter where nothing is said."""
    for question in ["day of the sale", "variant", "completeness", "grade", "works", "missing pieces", "extras",
                     "defects", "price", "shipping", "how it was sold", "where it was sold", "units sold", "note"]:
        keys = price if question == "price" else said.get(question.split()[0], "")
        prompt.answer(question, keys)


def three_sales(compband, book):
    prompt = Prompt(compband, book)
    seen = prompt.answer("model: ", "nul")
    expect("Tab completes" in seen, f"no word on how it works: {seen}")
    prompt.read("nul → Nulva 61K")
    prompt.answer("day of the sale [today]: ", "yesterday")
    prompt.read(f"yesterday → {TODAY - datetime.timedelta(1)}")
    prompt.answer("variant: ")
    seen = prompt.answer("completeness: ", "us\t")
    expect("usable: " in seen, f"the scale is not told: {seen}")
    prompt.answer("grade: ", "b")
    prompt.answer("works [yes]: ")
    # Several pieces begin with c; Tab lists them, more letters tell, and Enter completes the second.
    prompt.answer("missing pieces: ", "c\t", enter=False)
    prompt.answer("  case, charger", "h\t; str x2")
    prompt.read("charger; strap x2")
    prompt.answer("extras: ", "-")
    prompt.answer("defects: ", "scratched \x15dent")
    prompt.answer("price without shipping in EUR: ", "free")
    prompt.answer("expected ", "12\x1b[D\x7f9\x1b[C0,5")
    prompt.answer("shipping paid by the buyer [0]: ", "5,90")
    prompt.answer("how it was sold: ", "?")
    prompt.answer("auction, fixed or offer", "a")
    prompt.answer("where it was sold: ", "flea market")
    prompt.answer("units sold for the price [1]: ")
    prompt.answer("note: ", "two words")
    prompt.read("Recorded")

    # The next sale has the last values.
    prompt.answer("model [Nulva 61K]: ")
    prompt.answer("day of the sale [today]: ", "3 days ago")
    prompt.answer("variant: ")
    seen = prompt.answer("completeness [usable]: ")
    expect("usable: " not in seen, f"the scale is told again: {seen}")
    prompt.answer("grade [B]: ", "-")
    prompt.answer("works [yes]: ", "n")
    for question in ["missing pieces: ", "extras: ", "defects: "]:
        prompt.answer(question)
    prompt.answer("price without shipping in EUR: ", "31")
    prompt.answer("shipping paid by the buyer [0]: ")
    prompt.answer("how it was sold [auction]: ", "f")
    prompt.answer("where it was sold [flea market]: ", "-")
    prompt.answer("units sold for the price [1]: ")
    prompt.answer("note: ")
    prompt.read("Recorded")

    # A third, taken back by one word; what it said is not remembered then.
    prompt.answer("model [Nulva 61K]: ", '"Nul"')
    rest(prompt, "900", grade="d")
    prompt.answer("model [Nul]: ", "undo")
    prompt.read("Removed the sale logged last")
    # Within a sale, undo goes back a question; another model begins without the state of the last.
    prompt.answer("model [Nulva 61K]: ", "bolv")
    prompt.answer("day of the sale", "yesterday")
    prompt.answer("variant: ", "undo")
    prompt.answer(f"day of the sale [{TODAY - datetime.timedelta(1)}]: ", "undo")
    prompt.answer("model [Bolv 83V]: ")
    prompt.answer("day of the sale", "today")
    prompt.answer("variant: ")
    prompt.answer("completeness: ")
    prompt.answer("grade: ", "undo")
    prompt.answer("completeness: ", "\x03")
    seen = prompt.end()
    expect("2 sales recorded." in seen and prompt.status == 0, f"it ended with {prompt.status}: {seen}")

    first, second = logged(book)
    expect(first["model"] == "Nulva 61K" and first["sold_on"] == str(TODAY - datetime.timedelta(1)), first)
    expect(first["completeness"] == "usable" and first["grade"] == "B", first)
    expect(first["missing"] == "charger; strap x2" and first["extras"] == "" and first["defects"] == "dent", first)
    expect(first["price"] == "920.50", first)
    expect(first["shipping"] == "5.90" and first["how_sold"] == "auction", first)
    expect(first["venue"] == "flea market" and first["note"] == "two words", first)
    expect(second["sold_on"] == str(TODAY - datetime.timedelta(3)) and second["grade"] == "", second)
    expect(second["works"] == "no" and second["how_sold"] == "fixed" and second["venue"] == "", second)
    expect(second["completeness"] == "usable" and second["note"] == "", second)


def from_the_book(compband, book):
    """A new run begins with the sale logged last, and takes back nothing that it did not enter."""
    before = logged(book)
    prompt = Prompt(compband, book)
    prompt.answer("model [Nulva 61K]: ", "undo")
    prompt.read("no sale was entered here")
    prompt.answer("model [Nulva 61K]: ", "tumrik")
    prompt.answer("day of the sale", "\x04")
    seen = prompt.end()
    expect("Nothing was recorded." in seen and prompt.status == 0, f"it ended with {prompt.status}: {seen}")
    expect(logged(book) == before, "a row was lost")


def others_meanwhile(compband, book):
    """What another run recorded since is not taken back; the same sale is asked about."""
    before = len(logged(book))
    prompt = Prompt(compband, book)
    prompt.answer("model [Nulva 61K]: ")
    rest(prompt, "77")
    prompt.read("Recorded")
    other = ["--book", book, "log", "--model", "Bolv 83V", "--price", "9"]
    subprocess.run([compband, *other], check=True, capture_output=True)
    prompt.answer("model [Nulva 61K]: ", "undo")
    prompt.read("is not the last any more")
    prompt.answer("model [Nulva 61K]: ")
    rest(prompt, "77")
    prompt.answer("Record it as another one?", "n", enter=False)
    prompt.read("not recorded")
    prompt.answer("model [Nulva 61K]: ", "-")
    seen = prompt.end()
    expect("1 sale recorded." in seen, seen)
    expect(len(logged(book)) == before + 2, "a row was lost or added")


def narrow(compband, book):
    """Where the question leaves no room, the answer gets a line of its own and scrolls."""
    prompt = Prompt(compband, book, columns=30)
    prompt.answer("model [Bolv 83V]:", "A model of a name that is longer than the screen")
    seen = prompt.answer("day of the sale", "undo")
    expect("> " in seen and "longer than the screen" in seen, seen)
    prompt.answer("model", "\x04")
    prompt.end()
    expect(prompt.status == 0, f"it ended with {prompt.status}")


def first_sheet(compband, book):
    """From a sheet of somebody's own words to the first estimate, all of it by answers."""
    began = time.monotonic()
    fresh = Path(book).parent / "fresh"
    prompt = Prompt(compband, fresh, command=("init",))
    prompt.answer("Currency of your amounts", "eur")
    prompt.end()
    expect((fresh / "compband.toml").exists(), "no book was made")
    sheet = ROOT / "tests/it/sheets/misspelt.csv"
    prompt = Prompt(compband, fresh, command=("import", str(sheet)))
    prompt.answer('"complete" in 1 row', "fu")
    prompt.answer('"Havrane Tessel" in 1 row')
    # A row shows its model once its words are known.
    prompt.answer('"Harvane-Tessel" in 1 row')
    prompt.read("Sales: 5 new")
    prompt.end()
    prompt = Prompt(compband, fresh, command=("estimate", "harvane tessel"))
    prompt.read("Likely price")
    prompt.end()
    done = subprocess.run([compband, "--book", str(fresh), "models"], text=True, capture_output=True, check=True)
    expect("1 model" in done.stdout, f"several models:\n{done.stdout}")
    again = subprocess.run([compband, "--book", str(fresh), "import", str(sheet)], text=True, capture_output=True)
    expect("already, unchanged" in again.stdout, f"the sheet again:\n{again.stdout}{again.stderr}")
    seconds = time.monotonic() - began
    expect(seconds < 60, f"it took {seconds:.0f} s")


def gone(compband, book):
    """A terminal that is closed ends the run."""
    prompt = Prompt(compband, book)
    prompt.read("model")
    os.close(prompt.terminal)
    end = time.monotonic() + PATIENCE
    while time.monotonic() < end:
        done, _ = os.waitpid(prompt.pid, os.WNOHANG)
        if done:
            return
        time.sleep(0.05)
    os.kill(prompt.pid, signal.SIGKILL)
    sys.exit("it goes on without its terminal")


def main(compband):
    compband = str(Path(compband).resolve())
    with tempfile.TemporaryDirectory() as folder:
        book = new_book(compband, Path(folder) / "book")
        for check in [three_sales, from_the_book, others_meanwhile, narrow, first_sheet, gone]:
            check(compband, book)
            print(f"{check.__name__.replace('_', ' ')}: as it should be")


main(*sys.argv[1:])
