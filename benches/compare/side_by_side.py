"""Times compband and the pandas script on the same files, alternately, in one run.

usage: side_by_side.py BIN [--rows N ...] [--repeats R] [--keep DIR]

Every repeat makes a new book, imports the file, estimates without and then with the columnar
cache, and runs estimate.py on the file itself. Seconds are medians over the repeats, wall clock
from start to end of the process, files in the page cache. A good second of the script's is spent
on loading its libraries; a line of its own says what is left without that. Memory is the highest
peak of resident memory (about 16 MB, this program's own, is the least that can be seen).
"""

import argparse
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass, field
from pathlib import Path

HERE = Path(__file__).resolve().parent
MODEL = "Nulva 61K"
SUBJECT = ["--model", MODEL, "--grade", "B", "--completeness", "full", "--as-of", "2026-06-30"]
SCRIPT = "pandas and statsmodels"
SCRIPT_WORK = "the same, libraries loaded"
IMPORT = "compband import"
COLD = "compband estimate, no cache"
WARM = "compband estimate, cache"


@dataclass
class Timings:
    """Runs of one job on one file."""

    seconds: list = field(default_factory=list)
    peak_bytes: int = 0
    failure: str = ""

    def run(self, command):
        """Runs `command` once and returns what it printed; after a failure, which is kept, no further run is made."""
        if self.failure:
            return ""
        # ru_maxrss of one process, which getrusage(RUSAGE_CHILDREN) would mix with all before it.
        with tempfile.TemporaryFile() as output, tempfile.TemporaryFile() as errors:
            started = time.perf_counter()
            try:
                child = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=output, stderr=errors)
            except OSError as error:
                self.failure = str(error)
                return ""
            _, status, usage = os.wait4(child.pid, 0)
            elapsed = time.perf_counter() - started
            child.returncode = os.waitstatus_to_exitcode(status)
            if child.returncode != 0:
                said = text_of(errors).strip().splitlines()
                self.failure = f"exit {child.returncode}: {said[-1] if said else 'nothing said'}"
                return ""
            self.seconds.append(elapsed)
            self.peak_bytes = max(self.peak_bytes, usage.ru_maxrss * (1 if sys.platform == "darwin" else 1024))
            return text_of(output)

    def run_script(self, command, work):
        """Runs a script that prints its result and the seconds of its parts, whose sum without the loading of
        libraries goes to `work`; returns the result."""
        printed = self.run(command)
        work.peak_bytes, work.failure = self.peak_bytes, self.failure
        if not printed:
            return None
        result = json.loads(printed)
        parts = result.pop("seconds")
        work.seconds.append(parts["read"] + parts["fit"])
        return result

    @property
    def median(self):
        return statistics.median(self.seconds) if self.seconds and not self.failure else None


def text_of(file):
    """All that was written to `file`."""
    file.seek(0)
    return file.read().decode(errors="replace")


def drop_caches(book):
    """Takes away all of a book but what its owner would keep: the settings and the CSVs."""
    for path in book.rglob("*"):
        kept = path.name == "compband.toml" or (path.parent.name == "comps" and path.suffix == ".csv")
        if path.is_file() and not kept:
            path.unlink()


def program(text, parser):
    """The path of the compband program, whose runs are made independent of the environment."""
    found = shutil.which(text)
    if found is None:
        parser.error(f"{text}: no such program")
    os.environ.pop("COMPBAND_BOOK", None)
    os.environ["NO_COLOR"] = "1"
    return str(Path(found).resolve())


def make_file(rows, models, scratch):
    """A file of invented comps; a model for every 50 rows where their number is not given."""
    file = scratch / f"comps-{rows}.csv"
    models = [] if models is None else ["--models", str(models)]
    subprocess.run([sys.executable, str(HERE / "make_book.py"), str(rows), str(file), *models], check=True)
    return file


def script(name, file):
    """The command that does the job with a script."""
    return [sys.executable, str(HERE / name), str(file), *SUBJECT]


def estimate(binary, book):
    """The command that does it with compband."""
    return [binary, "--book", str(book), "estimate", *SUBJECT]


def import_anew(binary, file, book, timing):
    """Imports the file into a new book that is left without caches; whether there is one."""
    shutil.rmtree(book, ignore_errors=True)
    init = Timings()
    init.run([binary, "init", str(book)])
    if init.failure:
        timing.failure = f"init, {init.failure}"
    timing.run([binary, "--book", str(book), "import", str(file)])
    if timing.failure:
        return False
    drop_caches(book)
    return True


def compare(binary, file, repeats, scratch):
    """Timings by job, the jobs taking turns."""
    timings = {job: Timings() for job in (SCRIPT, SCRIPT_WORK, IMPORT, COLD, WARM)}
    book = scratch / "book"
    for _ in range(repeats):
        timings[SCRIPT].run_script(script("estimate.py", file), timings[SCRIPT_WORK])
        if not import_anew(binary, file, book, timings[IMPORT]):
            timings[COLD].failure = timings[WARM].failure = "no book to read"
        for job in (COLD, WARM):
            timings[job].run(estimate(binary, book))
    return timings


def print_rows(rows, size, timings):
    """One line of the table for every job."""
    for job, timing in timings.items():
        cells = [f"{rows:,}", f"{size / 1e6:.1f}", job]
        if timing.median is None:
            cells += [timing.failure, "", "", "", ""]
        else:
            cells += [f"{timing.median:.4f}", f"{timing.peak_bytes / 1e6:.0f}"]
            for script in (timings[SCRIPT].median, timings[SCRIPT_WORK].median):
                cells.append(f"{script / timing.median:.1f}" if script and job in (COLD, WARM) else "")
            cells.append(f"{rows / timing.median:,.0f}" if job == IMPORT else "")
        print("| " + " | ".join(cells) + " |", flush=True)


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("binary", help="the compband program")
    parser.add_argument("--rows", type=int, nargs="+", default=[30, 10_000, 1_000_000])
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--keep", type=Path, help="folder for the files made; a temporary one otherwise")
    options = parser.parse_args()
    if options.repeats < 1:
        parser.error("--repeats is at least 1")
    binary = program(options.binary, parser)

    with tempfile.TemporaryDirectory() as temporary:
        scratch = options.keep or Path(temporary)
        scratch.mkdir(parents=True, exist_ok=True)
        print("| comps | file, MB | job | seconds | peak MB | times faster | libraries loaded | rows/s |")
        print("|---:|---:|---|---:|---:|---:|---:|---:|", flush=True)
        failed = False
        for rows in options.rows:
            file = make_file(rows, None, scratch)
            timings = compare(binary, file, options.repeats, scratch)
            print_rows(rows, file.stat().st_size, timings)
            failed |= any(timing.failure for timing in timings.values())
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
