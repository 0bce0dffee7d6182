"""Times commands that ask about many units, or go over the whole book, beside another build in one run.

usage: run_once.py BIN OTHER_BIN [--rows N] [--units U] [--listings L] [--repeats R] [--keep DIR]

Both programs work on copies of the same book (make_book.py), taking turns: `compare` of L listings, `estimate`
after one `log`, `refresh` of U units after one `log`, `report --all` of them, and the second `check`. The table has
the medians of wall-clock seconds and of processor seconds, OTHER_BIN's over BIN's as a ratio, and whether both
printed the same. Where the machine is busy, processor seconds say more.
"""

import argparse
import csv
import os
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from side_by_side import make_file, program

DAY = "2026-07-01"
GRADES = "ABCD"
SETTLED = 2.2
JOBS = ["second check", "compare", "estimate after a log", "refresh after a log", "report --all"]


def run(command):
    """Runs a command; its output, wall-clock seconds and processor seconds."""
    with tempfile.TemporaryFile() as output:
        started = time.perf_counter()
        child = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=output, stderr=subprocess.DEVNULL)
        _, status, usage = os.wait4(child.pid, 0)
        seconds = time.perf_counter() - started
        child.returncode = os.waitstatus_to_exitcode(status)
        if child.returncode != 0:
            sys.exit(f"exit {child.returncode}: {' '.join(command)}")
        output.seek(0)
        return output.read(), seconds, usage.ru_utime + usage.ru_stime


def make_book(binary, file, book, units):
    """A book with the comps of the file and watched units, each estimated once."""
    with open(file, newline="", encoding="utf-8") as rows:
        models = sorted({row["model"] for row in csv.DictReader(rows)})
    random.Random(1).shuffle(models)
    run([binary, "init", str(book)])
    base = [binary, "--book", str(book)]
    run([*base, "import", str(file)])
    for at, model in enumerate(models[:units]):
        run([*base, "watch", "add", f"unit{at}", "--model", model, "--grade", GRADES[at % 4]])
    run([*base, "check"])
    run([*base, "refresh", "--as-of", DAY])
    return models


def make_listings(path, models, count):
    """A table of listings, as many models as there are."""
    with open(path, "w", newline="", encoding="utf-8") as file:
        rows = csv.writer(file, lineterminator="\n")
        rows.writerow(["listing", "model", "asked", "grade", "completeness"])
        words = ["usable", "full", "bare"]
        for at in range(count):
            rows.writerow([f"l{at}", models[at % len(models)], 40 + at % 90, GRADES[at % 4], words[at % 3]])


def jobs(binary, book, listings, model, page):
    """What is timed, by name, and what is done untimed before it."""
    base = [binary, "--book", str(book)]
    day = ["--as-of", DAY]

    def log(price):
        return [*base, "log", "--model", model, "--price", str(price), "--grade", "B", "--sold-on", DAY]

    commands = [
        ([], [*base, "check"]),
        ([], [*base, "compare", str(listings), "--budget", "1000", *day]),
        (log(120), [*base, "estimate", "--model", model, "--grade", "B", *day]),
        (log(121), [*base, "refresh", *day]),
        ([], [*base, "report", "--all", *day, "--out", str(page)]),
    ]
    return dict(zip(JOBS, commands))


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("binary", help="the compband program")
    parser.add_argument("other", help="another build of it")
    parser.add_argument("--rows", type=int, default=10_000)
    parser.add_argument("--units", type=int, default=50)
    parser.add_argument("--listings", type=int, default=200)
    parser.add_argument("--repeats", type=int, default=3)
    parser.add_argument("--keep", type=Path, help="folder for the files made; a temporary one otherwise")
    options = parser.parse_args()
    binaries = [program(options.binary, parser), program(options.other, parser)]

    with tempfile.TemporaryDirectory() as temporary:
        scratch = options.keep or Path(temporary)
        scratch.mkdir(parents=True, exist_ok=True)
        file = make_file(options.rows, None, scratch)
        originals = [scratch / f"original-{at}" for at in range(2)]
        for binary, original in zip(binaries, originals):
            shutil.rmtree(original, ignore_errors=True)
            models = make_book(binary, file, original, options.units)
        listings = scratch / "listings.csv"
        make_listings(listings, models, options.listings)
        taken = {job: ([], []) for job in JOBS}
        same = dict.fromkeys(JOBS, True)
        for _ in range(options.repeats):
            books = [scratch / f"book-{at}" for at in range(2)]
            for book, original in zip(books, originals):
                shutil.rmtree(book, ignore_errors=True)
                shutil.copytree(original, book)
            # What is kept in the cache is only trusted of files that are older than their clock's step.
            time.sleep(SETTLED)
            for binary, book in zip(binaries, books):
                run([binary, "--book", str(book), "check"])
            page = scratch / "report.html"
            asked = [jobs(*pair, listings, models[0], page) for pair in zip(binaries, books)]
            for job in JOBS:
                printed = []
                for at in range(2):
                    before, command = asked[at][job]
                    if before:
                        run(before)
                    output, seconds, work = run(command)
                    written = page.read_bytes() if job == "report --all" else b""
                    printed.append((output, written))
                    taken[job][at].append((seconds, work))
                same[job] &= printed[0] == printed[1]
        print("| job | seconds | the other | times faster | processor s | the other | times less | printed the same |")
        print("|---|---:|---:|---:|---:|---:|---:|---|")
        for job in JOBS:
            cells = []
            for kind in (0, 1):
                one, other = (statistics.median(run[kind] for run in runs) for runs in taken[job])
                cells += [f"{one:.3f}", f"{other:.3f}", f"{other / one:.1f}"]
            print(f"| {job} | {' | '.join(cells)} | {'yes' if same[job] else 'no'} |")


if __name__ == "__main__":
    main()
