"""Times `compband desk`: a toggle on the page of the price beside the command `estimate`.

usage: desk.py BIN [--rows N] [--models M] [--toggles T] [--keep DIR]

Makes a book (make_book.py), starts the desk, and asks for units of the models that have most sales, each with one
fact toggled after the other, as a person does. Prints for the page and for the command the median, the 95th
percentile and the ratio of the medians, the time of the first page after the start, and the weight of the page with
its style and script. With --check it fails if a goal is missed: 50 ms at the 95th percentile, 300 ms, 150 kB.
"""

import argparse
import collections
import csv
import http.client
import io
import pathlib
import statistics
import subprocess
import sys
import tempfile
import time
import urllib.parse

HERE = pathlib.Path(__file__).parent
FACTS = [
    ("grade", "A"), ("grade", "C"), ("completeness", "usable"), ("completeness", "boxed"), ("missing", "charger"),
    ("extra", "case"), ("defect", "loose hinge"), ("how_sold", "auction"), ("parts", "yes"), ("grade", "B"),
]
GOALS = {"toggle": 50.0, "first": 300.0, "weight": 150_000}


class Browser:
    """One connection that is kept open, with the cookie of the run."""

    def __init__(self, address):
        split = urllib.parse.urlsplit(address)
        self.connection = http.client.HTTPConnection(split.hostname, split.port)
        self.headers = {}
        status, headers, _ = self.get(split.path)
        assert status == 303, status
        self.headers["Cookie"] = headers["set-cookie"].split(";")[0]

    def get(self, path):
        self.connection.request("GET", path, headers=self.headers)
        response = self.connection.getresponse()
        return response.status, response.headers, response.read()

    def page(self, path):
        begun = time.perf_counter()
        status, _, body = self.get(path)
        took = 1000 * (time.perf_counter() - begun)
        assert status == 200, (path, status)
        return took, body


def units(models, toggles):
    """Descriptions, each with one fact more or less than the one before."""
    described = []
    for model in models:
        facts = {}
        for name, value in FACTS:
            if facts.get(name) == value:
                del facts[name]
            else:
                facts[name] = value
            described.append((model, dict(facts)))
    return [described[at % len(described)] for at in range(toggles)]


def path_of(model, facts):
    return "/price?" + urllib.parse.urlencode({"model": model, **facts})


def flags_of(model, facts):
    flags = ["--model", model]
    for name, value in facts.items():
        flags += ["--parts"] if name == "parts" else ["--" + name.replace("_", "-"), value]
    return flags


def summary(name, times):
    ordered = sorted(times)
    late = ordered[min(len(ordered) - 1, round(0.95 * len(ordered)))]
    median = statistics.median(ordered)
    print(f"{name:<28} median {median:7.1f} ms   95th percentile {late:7.1f} ms   n {len(ordered)}")
    return median, late


def main():
    parser = argparse.ArgumentParser()
    parser.add_argument("bin")
    parser.add_argument("--rows", type=int, default=10_000)
    parser.add_argument("--models", type=int, default=50)
    parser.add_argument("--toggles", type=int, default=300)
    parser.add_argument("--commands", type=int, default=30)
    parser.add_argument("--keep")
    parser.add_argument("--check", action="store_true")
    args = parser.parse_args()
    program = str(pathlib.Path(args.bin).resolve())
    with tempfile.TemporaryDirectory() as made:
        folder = pathlib.Path(args.keep or made)
        if not (folder / "compband.toml").exists():
            folder.mkdir(parents=True, exist_ok=True)
            sheet = folder / "sales.csv"
            make = [sys.executable, HERE / "make_book.py", str(args.rows), sheet, "--models", str(args.models)]
            subprocess.run(make, check=True)
            subprocess.run([program, "init", str(folder)], check=True, capture_output=True)
            subprocess.run([program, "--book", str(folder), "import", str(sheet)], check=True, capture_output=True)
            # Once, so that the estimates of past sales are kept, as after any day of use.
            subprocess.run([program, "--book", str(folder), "check"], check=True, capture_output=True)
        missed = measure(program, folder, args)
    if args.check and missed:
        sys.exit("missed: " + ", ".join(missed))


def measure(program, folder, args):
    listed = subprocess.run(
        [program, "--book", str(folder), "comps", "--csv"], capture_output=True, text=True
    ).stdout
    counts = collections.Counter(row["model"] for row in csv.DictReader(io.StringIO(listed)))
    models = sorted(counts, key=counts.get, reverse=True)[: args.models] or ["Nulva 61K"]
    asked = units(models, args.toggles)
    desk = subprocess.Popen(
        [program, "--book", str(folder), "desk", "--no-browser"], stdout=subprocess.PIPE, text=True
    )
    try:
        address = desk.stdout.readline().split()[-1]
        browser = Browser(address)
        first, body = browser.page(path_of(*asked[0]))
        weight = len(body) + sum(len(browser.page(path)[1]) for path in ("/look.css", "/desk.css", "/desk.js"))
        # The first look at a model reads its sales; after that it is toggled.
        fresh = [browser.page(path_of(model, {}))[0] for model in dict.fromkeys(model for model, _ in asked)]
        toggled = [browser.page(path_of(*unit))[0] for unit in asked]
    finally:
        desk.terminate()
        desk.wait()
    commands = []
    for unit in asked[:: max(1, len(asked) // args.commands)]:
        begun = time.perf_counter()
        command = [program, "--book", str(folder), "estimate", *flags_of(*unit)]
        subprocess.run(command, check=True, capture_output=True)
        commands.append(1000 * (time.perf_counter() - begun))
    print(f"{args.rows} sales of {args.models} models")
    print(f"{'first page':<28} {first:14.1f} ms")
    summary("page, another model", fresh)
    page, late = summary("page, one toggle", toggled)
    command, _ = summary("command estimate", commands)
    print(f"{'command : page':<28} {command / page:14.1f}")
    print(f"{'weight of the page':<28} {weight / 1000:14.1f} kB")
    found = {"toggle": late, "first": first, "weight": weight}
    return [f"{name} {found[name]:.1f} > {most}" for name, most in GOALS.items() if found[name] > most]


if __name__ == "__main__":
    main()
