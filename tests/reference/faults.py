#!/usr/bin/env python3
"""Faults of the machine, one at a time, and what becomes of a book.

    python3 tests/reference/faults.py target/release/compband [--seconds 60]

Every command that changes a book is run again and again, and each time another system call of its that
changes something (creating opens, writes, syncs, renames, links, removals, folders, cuts) is the last one before
kill -9, or fails with "no space left" or an input/output error. What `comps`, `models` and `ledger` then say
must be what they said before the command or what they say after it, never something else; an error must be
told, with exit code 1, and leave the state before; the same command again must end in the state after.
Besides: a full disk and a read-only one (small file systems in memory), two writers beside ten readers for some
seconds, files dated in the future, a cache that is cut, changed in single bits or replaced, files replaced
during reads. Prints one line per command and fault, and ends with 1 where anything was amiss.

Needs Linux, strace 5.3 or newer and, for the disks, root; without root these are left out and told.
"""

import argparse
import os
import random
import re
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from pathlib import Path

DEMO = Path(__file__).resolve().parents[2] / "demo"
CHANGING = ("openat", "write", "fsync", "rename", "renameat", "renameat2", "link", "linkat",
            "unlink", "unlinkat", "mkdir", "mkdirat", "ftruncate", "fchmod")
ERRORS = {"openat": "ENOSPC", "write": "ENOSPC", "fsync": "EIO", "rename": "EIO", "renameat": "EIO",
          "renameat2": "EIO", "link": "EPERM", "linkat": "EPERM", "mkdir": "ENOSPC", "mkdirat": "ENOSPC",
          "fchmod": "EPERM"}
CALL = re.compile(r"^(\d+) +(\w+)\((.*)$")

# Name, words of the command, whether the same again changes nothing, whether two files of the book change
# one after the other (the comp first).
COMMANDS = [
    ("init", ["init"], False, False),
    ("import", ["import", "--mapping", "sheet", str(DEMO / "sales-2026.csv")], True, False),
    ("import, mapping kept", ["import", "--mapping", "sheet", "--save-mapping", "mine",
                              str(DEMO / "sales-2026.csv")], False, False),
    ("log", "log --model Nulva --price 12 --sold-on 2026-03-01 --id x1".split(), True, False),
    ("log, first one", "log --model Nulva --price 12 --sold-on 2026-03-01 --id x1".split(), True, False),
    ("log, new attribute", "log --model Nulva --price 12 --sold-on 2026-03-01 --id x2 --set depth=3".split(),
     True, False),
    ("log, after a torn line", "log --model Nulva --price 12 --sold-on 2026-03-01 --id x1".split(), True, False),
    ("undo of a logged sale", ["undo"], False, False),
    ("undo of an import", ["undo"], False, False),
    ("buy", "buy Nulva --price 40 --date 2026-04-01".split(), False, False),
    ("spend", "spend d1 14 battery --date 2026-04-02".split(), False, False),
    ("part add", "part add display --fits Nulva --cost 22 --count 2 --date 2026-04-02".split(), False, False),
    ("harvest", ["harvest", "d1", "display = 18; battery = 6", "--date", "2026-04-03"], False, False),
    ("sold", "sold d1 --price 140 --date 2026-04-03".split(), False, False),
    ("sold, comp logged", "sold d1 --price 140 --log-comp --date 2026-04-03".split(), False, True),
    ("ledger reverse", "ledger reverse 2 --date 2026-04-04".split(), False, False),
    ("ledger, after a torn line", "ledger fund 50 --date 2026-04-04".split(), False, False),
    ("estimate", ["estimate", "--model", "Nulva 61K", "--as-of", "2026-04-01"], True, False),
]


class Harness:
    def __init__(self, program, seconds):
        self.program = str(Path(program).resolve())
        self.seconds = seconds
        self.top = Path(tempfile.mkdtemp(prefix="faults-"))
        self.amiss = []
        self.lines = []

    def run(self, book, words, before=()):
        env = {k: v for k, v in os.environ.items() if not k.startswith(("COMPBAND", "CLICOLOR"))}
        return subprocess.run([*before, self.program, "--book", str(book), *words], capture_output=True,
                              stdin=subprocess.DEVNULL, env=env, timeout=120, check=False)

    def good(self, book, words):
        done = self.run(book, words)
        if done.returncode:
            raise SystemExit(f"{words}: {done.returncode} {done.stderr.decode()}")
        return done.stdout

    def state(self, book):
        """What the book says: its comps and models, and its ledger."""
        said = [self.run(book, words) for words in
                (["comps", "--csv"], ["models"],
                 ["ledger", "--json", "--as-of", "2026-05-01"])]
        said = [(done.returncode, done.stdout) for done in said]
        return said[:2], said[2:]

    def wrong(self, what, detail=""):
        self.amiss.append(f"{what}: {detail}")
        print(f"  AMISS {what}: {detail}", flush=True)

    def line(self, name, fault, tried, ended):
        text = ", ".join(f"{count} {word}" for word, count in sorted(ended.items())) or "as it should be"
        self.lines.append((name, fault, tried, text))
        print(f"{name:26} {fault:34} {tried:5}  {text}", flush=True)

    def template(self, name):
        """A book as the command is to find it."""
        book = self.top / "template"
        shutil.rmtree(book, ignore_errors=True)
        book.mkdir()
        if name == "init":
            return book
        self.good(book, ["init"])
        shutil.copy(DEMO / "compband.toml", book)
        self.good(book, ["import", str(DEMO / "sales-2025.csv")])
        if name not in ("log, first one", "undo of an import"):
            self.good(book, "log --model Nulva --price 11 --sold-on 2026-02-01 --id a1".split())
            self.good(book, "log --model Nulva --price 13 --sold-on 2026-02-02 --id a2".split())
        self.good(book, "ledger fund 600 --date 2026-03-01".split())
        self.good(book, ["buy", "Nulva 61K", "--price", "60", "--date", "2026-03-02"])
        if name == "log, after a torn line":
            with open(book / "comps/logged.csv", "ab") as log:
                log.write(b"9,torn,2026-02-0")
        if name == "ledger, after a torn line":
            with open(book / "deals/ledger.csv", "ab") as ledger:
                ledger.write(b"9,2026-04-0")
        return book

    def copy(self, template):
        work = self.top / "work"
        shutil.rmtree(work, ignore_errors=True)
        shutil.copytree(template, work)
        return work

    def points(self, template, words):
        """The calls that change something: name, its number among those of its name in its thread, and
        whether it only writes to the terminal."""
        trace = self.top / "trace"
        work = self.copy(template)
        self.run(work, words, ["strace", "-f", "-qq", "-o", str(trace), "-e", "trace=" + known_calls()])
        counts, found = Counter(), {}
        for text in trace.read_text(errors="replace").splitlines():
            call = CALL.match(text)
            if not call:
                continue
            thread, name, rest = call.groups()
            counts[thread, name] += 1
            if name == "openat" and "O_CREAT" not in rest:
                continue
            output = name == "write" and rest.startswith(("1,", "2,"))
            found[name, counts[thread, name]] = output
        return [(name, number, output) for (name, number), output in found.items()]

    def injected(self, template, words, what):
        trace = self.top / "trace"
        work = self.copy(template)
        done = self.run(work, words, ["strace", "-f", "-qq", "-o", str(trace), "-e", "trace=" + known_calls(),
                                      "-e", "inject=" + what])
        return work, done, "INJECTED" in trace.read_text(errors="replace")

    def each_call(self, name, words, repeatable, two_files):
        template = self.template(name)
        before = self.state(template)
        # What the ledger keeps for later runs, so that the command has to write it.
        shutil.rmtree(template / ".compband/cache", ignore_errors=True)
        after_book = self.copy(template)
        self.good(after_book, words)
        after = self.state(after_book)
        points = self.points(template, words)
        ended = Counter()
        for call, number, _ in points:
            what = f"{name}, killed at {call} {number}"
            work, done, _ = self.injected(template, words, f"{call}:signal=SIGKILL:when={number}")
            if done.returncode != -9:
                ended["not reached"] += 1
            now = self.state(work)
            if now == before:
                ended["as before"] += 1
            elif now == after:
                ended["as after"] += 1
            elif two_files and now[0] == after[0] and now[1][0][0] == 0:
                ended["comp recorded, deal not yet"] += 1
            else:
                self.wrong(what, "the book says something else")
                continue
            if now != after or repeatable:
                again = self.run(work, words)
                if again.returncode or self.state(work) != after:
                    self.wrong(what, f"the same again does not mend it: {again.stderr.decode()}")
            left = [path for path in work.rglob(".new-*") if ".compband/tmp" not in str(path)
                    and ".compband/cache" not in str(path)]
            if left:
                self.wrong(what, f"left behind: {left}")
        # Threads differ from run to run, but hardly.
        if 4 * ended["not reached"] > len(points):
            self.wrong(name, "most calls were not killed at")
        self.line(name, "kill -9 at each call", len(points), ended)

        ended = Counter()
        tried = 0
        for call, number, output in points:
            if call not in ERRORS:
                continue
            tried += 1
            what = f"{name}, {ERRORS[call]} of {call} {number}"
            work, done, hit = self.injected(template, words, f"{call}:error={ERRORS[call]}:when={number}")
            now, said = self.state(work), done.stderr.decode()
            if not hit:
                ended["not reached"] += 1
            elif done.returncode == 0 and now == after:
                ended["done all the same"] += 1
            elif output and now == after:
                ended["done, output lost"] += 1
            elif done.returncode == 1 and now == before and "cannot" in said:
                ended["told, as before"] += 1
            elif two_files and done.returncode == 1 and now[0] == after[0] and "same command again" in said:
                ended["told, comp recorded"] += 1
            elif name == "import, mapping kept" and done.returncode == 1 and now == after \
                    and "same command again" in said:
                ended["told, rows taken in"] += 1
            else:
                self.wrong(what, f"exit {done.returncode}, before {now == before}, after {now == after}: {said}")
                continue
            if done.returncode == 1 and not output:
                again = self.run(work, words)
                if again.returncode or self.state(work) != after:
                    self.wrong(what, f"the same again does not mend it: {again.stderr.decode()}")
        self.line(name, "each call fails", tried, ended)

    def disks(self):
        if os.geteuid() != 0:
            print("not root: full and read-only disks are left out")
            return
        disk = self.top / "disk"
        disk.mkdir()
        for name, words, _, two_files in COMMANDS:
            template = self.template(name)
            before = self.state(template)
            after_book = self.copy(template)
            self.good(after_book, words)
            after = self.state(after_book)
            ended = Counter()
            for spare in (0, 4096, 8192, 16384):
                subprocess.run(["mount", "-t", "tmpfs", "-o", "size=2m", "none", str(disk)], check=True)
                try:
                    book = disk / "book"
                    shutil.copytree(template, book)
                    fill(disk / "filler", spare)
                    done = self.run(book, words)
                    now, said = self.state(book), done.stderr.decode()
                    what = f"{name}, disk full but for {spare}"
                    if done.returncode == 0 and now == after:
                        ended["done"] += 1
                    elif done.returncode == 1 and now == before and "No space left" in said:
                        ended["told, as before"] += 1
                    elif done.returncode == 1 and now[0] == after[0] and "same command again" in said:
                        ended["told, one of two files written"] += 1
                    else:
                        self.wrong(what, f"exit {done.returncode}: {said}")
                    (disk / "filler").unlink()
                    if done.returncode and (self.run(book, words).returncode or self.state(book) != after):
                        self.wrong(what, "the same again with space does not mend it")
                finally:
                    subprocess.run(["umount", str(disk)], check=True)
            self.line(name, "full disk", 4, ended)
            subprocess.run(["mount", "-t", "tmpfs", "-o", "size=8m", "none", str(disk)], check=True)
            try:
                book = disk / "book"
                shutil.copytree(template, book)
                subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True)
                done = self.run(book, words)
                said = done.stderr.decode()
                fine = done.returncode == 0 if name == "estimate" else \
                    done.returncode == 1 and "Read-only file system" in said
                if not fine or self.state(book) != before:
                    self.wrong(f"{name}, read-only", f"exit {done.returncode}: {said}")
                self.line(name, "read-only disk", 1,
                          Counter({"works" if name == "estimate" else "told, as before": 1}))
            finally:
                subprocess.run(["umount", str(disk)], check=True)

    def side_by_side(self):
        """Two writers and ten readers: whatever was confirmed before a reader began is there, whole."""
        book = self.top / "shared"
        self.good(book, ["init"]) if book.exists() else (book.mkdir(), self.good(book, ["init"]))
        end = time.monotonic() + self.seconds
        begun, confirmed, guard, reads = set(), set(), threading.Lock(), Counter()

        def write(number):
            at = 0
            while time.monotonic() < end:
                at += 1
                ids = [f"w{number}n{at}"]
                if at % 5:
                    words = ["log", "--model", "Nulva", "--price", str(at), "--sold-on", "2026-01-01",
                             "--id", ids[0], "--note", "n" * (at % 300)]
                else:
                    ids += [f"{ids[0]}b", f"{ids[0]}c"]
                    file = self.top / f"{ids[0]}.csv"
                    file.write_text("id,date,item,price,note\n" + "".join(
                        f"{i},2026-01-01,Nulva,{at},{'n' * (at % 300)}\n" for i in ids))
                    words = ["import", "--map", "id=comp_id", str(file)]
                with guard:
                    begun.update((i, at) for i in ids)
                done = self.run(book, words)
                if done.returncode:
                    self.wrong("writer", done.stderr.decode())
                    return
                with guard:
                    confirmed.update((i, at) for i in ids)

        def read():
            while time.monotonic() < end:
                with guard:
                    sure = set(confirmed)
                done = self.run(book, ["comps", "--csv"])
                rows = rows_of(done.stdout)
                with guard:
                    if done.returncode or rows is None or not sure <= rows <= begun:
                        self.wrong("reader", f"exit {done.returncode}: {done.stderr.decode()}")
                    reads["reads"] += 1

        threads = [threading.Thread(target=write, args=(n,)) for n in range(2)]
        threads += [threading.Thread(target=read) for _ in range(10)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        if rows_of(self.good(book, ["comps", "--csv"])) != confirmed:
            self.wrong("side by side", "rows lost or too many")
        self.line("2 writers, 10 readers", f"{self.seconds:g} s", reads["reads"],
                  Counter({"rows, none lost or torn": len(confirmed)}))

    def clock(self):
        template = self.template("log")
        before = self.state(template)
        self.good(template, COMMANDS[-1][1])
        tried = 0
        for days in (1, 3650):
            work = self.copy(template)
            ahead = time.time() + days * 86400
            for path in [*work.rglob("*"), work]:
                os.utime(path, (ahead, ahead))
            if self.state(work) != before:
                self.wrong("clock moved back", "the book says something else")
            done = self.run(work, COMMANDS[3][1])
            if done.returncode or b"x1" not in self.good(work, ["comps", "--csv"]):
                self.wrong("clock moved back", done.stderr.decode())
            tried += 2
        self.line("read, log", "clock moved back", tried, Counter())

    def cache(self):
        """A book large enough to be cached; whatever becomes of the cache, the estimate is the same."""
        book = self.top / "large"
        book.mkdir()
        self.good(book, ["init"])
        dice = random.Random(1)
        for part in range(2):
            file = self.top / f"large-{part}.csv"
            file.write_text("date,item,price,grade\n" + "".join(
                f"2026-{1 + n % 9:02}-{1 + n % 28:02},Quolby {n % 300},{100 + dice.randrange(4000) / 100:.2f},"
                f"{'ABCD'[n % 4]}\n" for n in range(15_000)))
            self.good(book, ["import", str(file)])
        time.sleep(0.1)
        words = ["estimate", "--model", "Quolby 7", "--as-of", "2026-10-01", "--json"]
        want = self.good(book, words)
        cache = book / ".compband/cache"
        if not list(cache.glob("comps-*.arrow")):
            self.wrong("cache", "there is none")
        small = self.template("estimate")
        small_words = [*COMMANDS[-1][1], "--json"]
        small_want = self.good(small, small_words)
        tried = 0
        for where, ask, expect in ((cache, (book, words), want),
                                   (small / ".compband/cache", (small, small_words), small_want)):
            # The lock is empty.
            for name in [path.name for path in where.iterdir() if path.stat().st_size]:
                for damage in range(24):
                    path = where / name
                    if not path.exists():
                        self.good(*ask)
                    if not path.exists():
                        continue
                    data = bytearray(path.read_bytes())
                    if damage < 6:
                        data = data[:len(data) * damage // 6]
                    elif damage < 20:
                        data[dice.randrange(len(data))] ^= 1 << dice.randrange(8)
                    else:
                        data = dice.randbytes(len(data))
                    path.write_bytes(data)
                    tried += 1
                    done = self.run(*ask)
                    if done.returncode or done.stdout != expect:
                        self.wrong(f"cache {name}, damage {damage}", done.stderr.decode())
        self.line("estimate", "cache cut, flipped, replaced", tried, Counter())

    def replaced(self):
        """A file that is put in the place of another while it is read gives the one or the other."""
        book = self.template("undo of an import")
        file = next((book / "comps").glob("0*.csv"))
        texts = [file.read_text(), file.read_text().replace(",yes,", ",no,")]
        said = set()
        for text in texts:
            file.write_text(text)
            said.add(self.good(book, ["comps", "--csv"]))
        end, swaps = time.monotonic() + min(self.seconds, 5), [0]

        def swap():
            while time.monotonic() < end:
                swaps[0] += 1
                other = book / "other"
                other.write_text(texts[swaps[0] % 2])
                other.rename(file)

        swapper = threading.Thread(target=swap)
        swapper.start()
        reads = 0
        while time.monotonic() < end:
            reads += 1
            done = self.run(book, ["comps", "--csv"])
            if done.returncode or done.stdout not in said:
                self.wrong("file replaced during a read", done.stderr.decode())
                break
        swapper.join()
        self.line("comps", "file replaced during reads", reads, Counter({"replacements": swaps[0]}))


def known_calls():
    return ",".join(CHANGING)


def rows_of(csv):
    """Identifier and price of every row; none where a row is torn."""
    rows = set()
    for line in csv.decode().splitlines()[1:]:
        cells = line.split(",")
        price = int(float(cells[10])) if len(cells) == 17 else -1
        if cells[-1] != "n" * (price % 300):
            return None
        rows.add((cells[0], price))
    return rows


def fill(path, spare):
    """Takes all the space there is but for some bytes."""
    with open(path, "wb", buffering=0) as filler:
        try:
            while True:
                filler.write(b"\0" * 4096)
        except OSError:
            pass
        filler.truncate(max(0, filler.tell() - spare))


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("program")
    parser.add_argument("--seconds", type=float, default=8, help="how long writers and readers run")
    parser.add_argument("--only", help="only commands whose name has this in it")
    args = parser.parse_args()
    if os.geteuid() == 0 and "FAULTS_APART" not in os.environ:
        # Mounts of our own, gone with us.
        os.environ["FAULTS_APART"] = "1"
        os.execvp("unshare", ["unshare", "-m", "--propagation", "private", sys.executable, *sys.argv])
    harness = Harness(args.program, args.seconds)
    try:
        print(f"{'command':26} {'fault':34} tried  ended", flush=True)
        for command in COMMANDS:
            if not args.only or args.only in command[0]:
                harness.each_call(*command)
        if not args.only:
            harness.disks()
            harness.side_by_side()
            harness.clock()
            harness.cache()
            harness.replaced()
    finally:
        shutil.rmtree(harness.top, ignore_errors=True)
    print(f"{len(harness.amiss)} amiss")
    sys.exit(1 if harness.amiss else 0)


if __name__ == "__main__":
    main()
