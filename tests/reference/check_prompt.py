#!/usr/bin/env python3
"""Types sales into the prompt of `compband log` through a pseudo terminal, and reads what the book kept.

usage: check_prompt.py COMPBAND

COMPBAND is the program. The terminal is 80 columns wide, and for some checks 30 and 40; what a person
sees there is compared after the moves of the cursor are taken out.
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
PASTED = "\x1b[200~{}\x1b[201~"
KEY = re.compile("\x1b\\[200~.*?\x1b\\[201~|\x1b\\[[0-9]*.|.", re.S)
LEFT, RIGHT, HOME, END, DELETE, UP = "\x1b[D", "\x1b[C", "\x1b[H", "\x1b[F", "\x1b[3~", "\x1b[A"
STEER = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


class Prompt:
    """A run of `compband log`, or of another command, at a terminal."""

    def __init__(self, compband, book, columns=80, command=("log",), term="xterm"):
        self.pid, self.terminal = pty.fork()
        if self.pid == 0:
            os.environ.update(TERM=term, NO_COLOR="1")
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
        for key in KEY.findall(keys):
            self.wait_for_raw()
            os.write(self.terminal, key.encode())
            time.sleep(0.01)
        if enter:
            self.wait_for_raw()
            os.write(self.terminal, b"\r")
        return seen

    def wait_for_raw(self):
        """Waits until the program reads key by key: before, the terminal itself would take Ctrl-D for an end."""
        end = time.monotonic() + 2
        while termios.tcgetattr(self.terminal)[3] & termios.ICANON and time.monotonic() < end:
            time.sleep(0.001)

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


def rest(prompt, price, grade="", more=""):
    """Answers what comes after the model; Enter where nothing is said."""
    for question, keys in [("price", price), ("grade", grade), ("missing pieces", ""), ("more?", more)]:
        prompt.answer(question, keys)


def three_sales(compband, book):
    prompt = Prompt(compband, book)
    seen = prompt.answer("model (Enter ends): ", "120")
    expect("Tab completes" in " ".join(seen.split()), f"no word on how it works: {seen}")
    prompt.answer('"120" reads as price, not model', "bolv 83v b 120")
    prompt.answer("more than a model", "nul")
    prompt.read("nul → Nulva 61K")
    prompt.answer("price without shipping in EUR: ", "free")
    prompt.answer("expected ", "12\x1b[D\x7f9\x1b[C0,5")
    # A value of another field is no grade, and no default later.
    seen = prompt.answer("grade: ", "120")
    expect("light marks" in seen, f"the scale is not told: {seen}")
    prompt.answer('"120" reads as price, not grade', "b")
    # Several pieces begin with c; Tab lists them, more letters tell, and Enter completes the second.
    prompt.answer("missing pieces: ", "c\t", enter=False)
    prompt.answer("case     charger", "h\t; str x2")
    prompt.read("charger; strap x2")
    seen = prompt.answer("more? (m asks for the rest) [no]: ", "m")
    expect("yesterday usable" in seen, f"no word on what more there is: {seen}")
    prompt.answer("date of the sale [today]: ", "yesterday")
    prompt.read(f"yesterday → {TODAY - datetime.timedelta(1)}")
    seen = prompt.answer("completeness: ", "us\t")
    expect("usable: " in seen, f"the scale is not told: {seen}")
    prompt.answer("variant: ")
    prompt.answer("extras: ", "-")
    prompt.answer("defects: ", "scratched \x15dent")
    prompt.answer("works [yes]: ")
    prompt.answer("shipping paid by the buyer [0]: ", "5,90")
    prompt.answer("how it was sold: ", "auction")
    prompt.answer("where it was sold: ", "flea market")
    prompt.answer("units sold for the price [1]: ")
    prompt.answer("note: ", "two words")
    prompt.read("Recorded")

    # The next sale is offered the last values, and more is said in words.
    prompt.answer("model (Enter ends, = is Nulva 61K): ", "=")
    prompt.read("= → Nulva 61K")
    prompt.answer("price without shipping in EUR: ", "31")
    seen = prompt.answer("grade [B]: ", "-")
    expect("light marks" not in seen, f"the scale is told again: {seen}")
    prompt.answer("missing pieces: ")
    prompt.answer("[usable auction flea market]:", "b c 3 days ago")
    prompt.answer("grade: b or c, which one?", "parts 3 days ago fixed usable")
    prompt.read("Recorded")

    # A third, taken back by one word; what it said is not remembered then.
    prompt.answer("model (Enter ends, = is Nulva 61K): ", '"Nul"')
    rest(prompt, "900", "d", "-")
    prompt.read("Recorded")
    prompt.answer("model (Enter ends, = is Nul): ", "undo")
    prompt.read("Removed the sale logged last")
    # Within a sale, undo goes back a question; another model begins without the state of the last.
    prompt.answer("= is Nulva 61K): ", "bolv")
    prompt.answer("price", "12")
    prompt.answer("grade: ", "undo")
    prompt.answer("price without shipping in EUR [12]: ", "undo")
    prompt.answer("model [Bolv 83V]: ")
    prompt.answer("price without shipping in EUR [12]: ")
    prompt.answer("grade: ")
    prompt.answer("missing pieces: ")
    prompt.answer("more? (m asks for the rest) [fixed]: ", "m")
    prompt.answer("date of the sale [today]: ", "undo")
    prompt.answer("more? (m asks for the rest) [fixed]: ", "undo")
    prompt.answer("missing pieces: ", "\x03")
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


def one_line(compband, book):
    """A sale in one line: what is in doubt is asked."""
    before = len(logged(book))
    words = ["Zed", "1", "b", "120", f"{TODAY:%Y%m%d}", "-chrager", "--note", "a line"]
    prompt = Prompt(compband, book, command=("log", *words))
    prompt.answer(f'what is "{TODAY:%Y%m%d}", date or price: ', "d")
    prompt.answer("which is the price, 1.00 or 120.00: ", "120")
    prompt.answer('what is "Zed 1" [model]: ')
    prompt.read("did you mean")
    prompt.answer("chrager\": ", "skip")
    seen = prompt.end()
    expect("Recorded" in seen and "Zed 1, B, sold" in seen and prompt.status == 0, seen)
    prompt = Prompt(compband, book, command=("log", "bolv", "83v", "-aerial"))
    prompt.answer("price without shipping in EUR: ")
    prompt.answer("expected ", "9")
    seen = prompt.end()
    expect("missing aerial" in seen, seen)
    prompt = Prompt(compband, book, command=("log", "bolv 83v 9 10"))
    prompt.answer("which is the price", "\x03")
    seen = prompt.end()
    expect("Nothing was recorded." in seen and prompt.status == 0, seen)
    zed, bolv = logged(book)[before:]
    expect(zed["model"] == "Zed 1" and zed["price"] == "120.00" and zed["sold_on"] == str(TODAY), zed)
    expect(zed["grade"] == "B" and zed["missing"] == "" and zed["note"] == "a line", zed)
    expect(bolv["model"] == "Bolv 83V" and bolv["missing"] == "aerial" and bolv["price"] == "9.00", bolv)


def from_the_book(compband, book):
    """A new run begins with the sale logged last, and takes back nothing that it did not enter."""
    before = logged(book)
    prompt = Prompt(compband, book)
    prompt.answer("= is Bolv 83V): ", "undo")
    prompt.read("no sale was entered here")
    prompt.answer("= is Bolv 83V): ", "tumrik")
    prompt.answer("price", "\x04")
    seen = prompt.end()
    expect("Nothing was recorded." in seen and prompt.status == 0, f"it ended with {prompt.status}: {seen}")
    expect(logged(book) == before, "a row was lost")


def others_meanwhile(compband, book):
    """What another run recorded since is not taken back; the same sale is asked about; Enter ends."""
    before = len(logged(book))
    prompt = Prompt(compband, book)
    prompt.answer("= is Bolv 83V): ", "nul")
    rest(prompt, "77")
    prompt.read("Recorded")
    other = ["--book", book, "log", "--model", "Bolv 83V", "--price", "9", "--note", "by another"]
    subprocess.run([compband, *other], check=True, capture_output=True)
    prompt.answer("= is Nulva 61K): ", "undo")
    prompt.read("is no longer the last")
    prompt.answer("= is Nulva 61K): ", "=")
    rest(prompt, "77")
    prompt.answer("Record it as another one? [no]:", "n")
    prompt.read("not recorded")
    prompt.answer("= is Nulva 61K): ")
    seen = prompt.end()
    expect("1 sale recorded." in seen, seen)
    expect(len(logged(book)) == before + 2, "a row was lost or added")


def keys(compband, book):
    """Each key does what it does in other programs that read a line; the book has what that comes to."""
    before = len(logged(book))
    prompt = Prompt(compband, book, columns=40)
    # Home, End and their letters; Ctrl-D deletes inside a line, and Delete; Esc alone does nothing.
    prompt.answer("model", "zzed 6" + HOME + "\x04" + "\x1b", enter=False)
    time.sleep(0.3)
    prompt.answer("", "Q" + END + "5\x01" + DELETE + "Z\x05" + LEFT * 2 + RIGHT + "\x7f7")
    # A word before the cursor, all before it, all behind it; what was deleted comes back.
    prompt.answer("price", "9 12 x\x17\x17" + HOME + "\x0b" + "7\x15" + "44")
    # What was refused comes back by the arrow up; what was typed at another question does not.
    prompt.answer("grade: ", "bb")
    prompt.answer("expected", UP * 2 + "\x7f")
    # Tab inside a line does nothing, at its end it completes; wide letters count as two columns.
    prompt.answer("missing pieces: ", "cas" + LEFT + "\t" + END + "\t; 日本語" + LEFT * 2 + "\x7f")
    # Pasted lines are one answer, and what would steer the terminal does not reach it.
    prompt.answer("more?", PASTED.format("yesterday\r\nusable\n\x07\x9b"))
    prompt.read("Recorded")
    expect("\x07" not in prompt.came and "\x9b" not in prompt.came, "what was pasted steers the terminal")
    row = logged(book)[-1]
    expect(row["model"] == "Zzed 75" and row["price"] == "44.00" and row["grade"] == "B", row)
    expect(row["missing"] == "case; 本語" and row["completeness"] == "usable", row)
    expect(row["sold_on"] == str(TODAY - datetime.timedelta(1)), row)
    # Earlier answers to this question, not to others.
    prompt.answer("= is Zzed 75): ", UP + "\x7f" * 2 + "80")
    rest(prompt, "5")
    prompt.read("Recorded")
    expect(logged(book)[-1]["model"] == "Zzed 80", logged(book)[-1])
    prompt.answer("= is Zzed 80): ", "undo")
    prompt.answer("= is Zzed 75): ", "undo")
    prompt.answer("= is Bolv 83V): ", "\x03")
    seen = prompt.end()
    expect("Nothing was recorded." in seen and prompt.status == 0, seen)
    expect(len(logged(book)) == before, "a row was added")


def ahead(compband, book):
    """Lines entered before their questions stand there answer them, one each."""
    before = len(logged(book))
    prompt = Prompt(compband, book)
    os.write(prompt.terminal, b"nul\n17\nb\n\nyesterday\n")
    prompt.read("nul → Nulva 61K")
    prompt.read("price without shipping in EUR: 17")
    prompt.read("Recorded")
    prompt.answer("= is Nulva 61K): ", "\x03")
    prompt.end()
    row = logged(book)[-1]
    expect(len(logged(book)) == before + 1 and row["price"] == "17.00" and row["grade"] == "B", row)
    expect(row["sold_on"] == str(TODAY - datetime.timedelta(1)), row)


def narrow(compband, book):
    """Question and answer go on in the next row where the screen ends."""
    prompt = Prompt(compband, book, columns=30)
    prompt.answer("is Bolv 83V):", "A model of a name that is longer than the screen")
    seen = prompt.answer("price without", "undo")
    expect("longer than the screen" in seen.replace("\r\n", ""), seen)
    # The default has no room behind the line.
    prompt.answer("model [A", "\x04")
    prompt.end()
    expect(prompt.status == 0, f"it ended with {prompt.status}")


def plain(compband, book):
    """A terminal that cannot edit is asked line by line."""
    prompt = Prompt(compband, book, term="dumb", command=("log", "-aerial", "11"))
    prompt.read("model: ")
    os.write(prompt.terminal, b"bolv\n")
    prompt.read("→ Bolv 83V")
    seen = prompt.end()
    expect("missing aerial" in seen and prompt.status == 0, seen)
    expect("\x1b" not in prompt.came, f"it moves the cursor: {prompt.came!r}")


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
    expect("sales, unchanged" in again.stdout, f"the sheet again:\n{again.stdout}{again.stderr}")
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
        for check in [three_sales, one_line, from_the_book, others_meanwhile, keys, narrow, plain, ahead, first_sheet, gone]:
            check(compband, book)
            print(f"{check.__name__.replace('_', ' ')}: as it should be")


main(*sys.argv[1:])
