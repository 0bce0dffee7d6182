"""Times `compband pocket` beside `estimate` and `bid` one by one.

usage: run.sh --pocket BIN [--models M] [--rows N] [--units U] [--keep DIR]

The book is invented (`make_book.py`), with the outlets of the demo. The page takes all models at the usual outlet. Of the
units on it, U are then put to the command line, each once to `estimate` and five times to `bid`, once for each chance of
the repair. What is printed is the page's time and size, and the ratio of processor times for a unit, beside the time of
a command that only starts.
"""

import argparse
import json
import random
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

HERE = Path(__file__).resolve().parent
DAY = "2026-06-30"


def timed(command):
    """Seconds on the clock and of the processors, and standard error."""
    before, start = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
    done = subprocess.run([str(word) for word in command], capture_output=True, text=True)
    clock, after = time.monotonic() - start, resource.getrusage(resource.RUSAGE_CHILDREN)
    if done.returncode != 0:
        sys.exit(f"{command}: {done.stderr}")
    return clock, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime, done.stderr


def flags(document, draw):
    model = draw.choice(document["models"])
    unit = ["--model", model["name"], "--as-of", DAY, "--json"]
    grade, level = draw.randrange(len(model["grades"]) + 1), draw.randrange(len(model["levels"]) + 1)
    if grade:
        unit += ["--grade", model["grades"][grade - 1]]
    if level:
        unit += ["--completeness", model["levels"][level - 1]]
    for at in draw.choice(model["pairs"]):
        other = model["others"][at]
        unit += [f"--{other['kind']}", other["name"]]
    return unit


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("bin")
    parser.add_argument("--models", type=int, default=20)
    parser.add_argument("--rows", type=int, default=1600)
    parser.add_argument("--units", type=int, default=20)
    parser.add_argument("--keep", type=Path)
    options = parser.parse_args()
    folder = Path(options.keep or tempfile.mkdtemp())
    book, page = folder / "book", folder / "pocket.html"
    program = Path(options.bin).resolve()

    def compband(*words):
        return timed([program, "--book", book, *words])

    timed([program, "init", book])
    settings = (HERE.parent.parent / "demo/compband.toml").read_text()
    (book / "compband.toml").write_text(settings)
    sales = folder / "sales.csv"
    timed([sys.executable, HERE / "make_book.py", options.rows, sales, "--models", options.models, "--until", DAY])
    compband("import", sales)
    compband("estimate", "--model", "Nulva F4", "--as-of", DAY)  # past sales are kept from here on
    clock, cpu, said = compband("pocket", "--as-of", DAY, "--out", page)
    print(said.strip().splitlines()[-1])
    units = int(re.sub(r"\D", "", re.search(r"([\d\u202f]+) units", said)[1]))
    document = json.loads(re.search(r'id="figures">(.*?)</script>', page.read_text(), re.S)[1])
    each = cpu / units
    print(f"pocket: {clock:.1f} s, {cpu:.1f} s of the processors, {1000 * each:.2f} ms a unit, {page.stat().st_size} bytes")

    draw, total = random.Random(14), 0.0
    for _ in range(options.units):
        unit = flags(document, draw)
        total += compband("estimate", *unit)[1]
        for chance in document["chances"]:
            total += compband("bid", *unit, "--repair", f"repair: success {chance / 100}")[1]
    start = min(timed([program, "--version"])[1] for _ in range(5))
    alone = total / options.units
    print(f"one by one: {1000 * alone:.1f} ms a unit, of which {6000 * start:.1f} ms to start six times")
    print(f"ratio: {each / alone:.3f}, without the starts {each / (alone - 6 * start):.3f}")
    if not options.keep:
        shutil.rmtree(folder)


if __name__ == "__main__":
    main()
