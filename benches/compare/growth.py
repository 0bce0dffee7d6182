"""How time and memory grow with the comps: compband beside pandas and polars, in one run.

usage: growth.py BIN [--rows N ...] [--repeats R] [--memory GB] [--keep DIR] [--csv FILE] [--chart FILE.svg]

For every number of comps, of a hundredth as many models, a file is made, imported, estimated from
without and then with the cache, and the same job done by estimate.py and estimate_polars.py (of the
CSV, and of a Parquet copy in order of the models, made first). Seconds are medians, wall clock from
start to end of the process, files in the page cache; memory is the highest peak of resident memory.
Large files are repeated less. A process that asks for more than --memory is refused it, and what it
said of that stands below the tables. Scripts have to agree on their estimate. Prints two tables in
Markdown; --csv keeps the figures, --chart draws them (growth_chart.py draws them again).
"""

import argparse
import csv
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

from side_by_side import HERE, Timings, estimate, import_anew, make_file, program, script

ROWS_PER_MODEL = 100
# Rows that the repeats of one size come to.
ROWS_IN_ALL = 3_000_000
# Estimates with the cache in each repeat.
WARM_RUNS = 5

IMPORT = "compband import"
COLD = "compband estimate, no cache"
WARM = "compband estimate, cache"
PANDAS = "pandas and statsmodels, CSV"
PANDAS_WORK = "pandas, libraries loaded"
POLARS = "polars and statsmodels, CSV"
POLARS_WORK = "polars, CSV, libraries loaded"
COPY = "polars, making a Parquet copy"
PARQUET = "polars and statsmodels, Parquet copy"
PARQUET_WORK = "polars, Parquet copy, libraries loaded"
JOBS = [IMPORT, COLD, WARM, PANDAS, PANDAS_WORK, POLARS, POLARS_WORK, COPY, PARQUET, PARQUET_WORK]
WORK = {PANDAS: PANDAS_WORK, POLARS: POLARS_WORK, PARQUET: PARQUET_WORK}


def measure(binary, file, repeats, scratch):
    """Timings by job, the jobs taking turns, and what the scripts estimated."""
    timings = {job: Timings() for job in JOBS}
    book, copy = scratch / "book", file.with_suffix(".parquet")
    results = {}
    for _ in range(repeats):
        if not import_anew(binary, file, book, timings[IMPORT]):
            timings[COLD].failure = timings[WARM].failure = "no book to read"
        timings[COLD].run(estimate(binary, book))
        for _ in range(WARM_RUNS):
            timings[WARM].run(estimate(binary, book))
        timings[COPY].run([sys.executable, str(HERE / "estimate_polars.py"), str(file), "--copy", str(copy)])
        if timings[COPY].failure:
            timings[PARQUET].failure = "no copy to read"
        for job, command in [
            (PANDAS, script("estimate.py", file)),
            (POLARS, script("estimate_polars.py", file)),
            (PARQUET, script("estimate_polars.py", copy)),
        ]:
            result = timings[job].run_script(command, timings[WORK[job]])
            if result is not None:
                results[job] = result
    return timings, results


def differences(results):
    """A sentence where the scripts do not estimate the same."""
    said = [f"{job} says {result}" for job, result in results.items()]
    same = all(result == next(iter(results.values())) for result in results.values())
    return "" if same else "the scripts differ: " + "; ".join(said)


def figures(rows, file, timings):
    """A record of each job, as it goes to the CSV."""
    for job, timing in timings.items():
        done = timing.median is not None
        yield {
            "comps": rows,
            "file_mb": f"{file.stat().st_size / 1e6:.1f}",
            "job": job,
            "runs": len(timing.seconds),
            "seconds": f"{timing.median:.4f}" if done else "",
            "peak_mb": f"{timing.peak_bytes / 1e6:.0f}" if done else "",
            "failure": timing.failure,
        }


def table(head, jobs, records, value):
    """A table in Markdown: a row for each job, a column for each number of comps."""
    sizes = list(dict.fromkeys(record["comps"] for record in records))
    cells = {(record["job"], record["comps"]): record for record in records}
    yield "| " + " | ".join([head, *(f"{size:,}" for size in sizes)]) + " |"
    yield "|---|" + "---:|" * len(sizes)
    for job in jobs:
        of_job = [cells[job, size] for size in sizes]
        yield "| " + " | ".join([job, *("–" if record["failure"] else value(record) for record in of_job)]) + " |"


def speed(record):
    """Seconds; for an import the rows a second too."""
    seconds = float(record["seconds"])
    shown = f"{seconds:.3f}" if seconds < 10 else f"{seconds:.1f}"
    return f"{shown} ({record['comps'] / seconds:,.0f}/s)" if record["job"] == IMPORT else shown


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("binary", help="the compband program")
    parser.add_argument("--rows", type=int, nargs="+", default=[10**power for power in range(3, 8)])
    parser.add_argument("--repeats", type=int, default=5, help="at most; large files are repeated less")
    parser.add_argument("--memory", type=float, default=16, help="GB that a process may have")
    parser.add_argument("--keep", type=Path, help="folder for the files made; a temporary one otherwise")
    parser.add_argument("--csv", type=Path, help="where the figures are kept")
    parser.add_argument("--chart", type=Path, help="where the chart is drawn")
    options = parser.parse_args()
    if options.repeats < 1 or min(options.rows) < ROWS_PER_MODEL:
        parser.error(f"--repeats is at least 1, --rows at least {ROWS_PER_MODEL}")
    binary = program(options.binary, parser)
    usual, most = resource.getrlimit(resource.RLIMIT_DATA)

    failed, records = False, []
    with tempfile.TemporaryDirectory() as temporary:
        scratch = options.keep or Path(temporary)
        scratch.mkdir(parents=True, exist_ok=True)
        for rows in options.rows:
            print(f"{rows:,} comps", file=sys.stderr, flush=True)
            file = make_file(rows, rows // ROWS_PER_MODEL, scratch)
            repeats = min(options.repeats, max(ROWS_IN_ALL // rows, 1))
            # Those started inherit it.
            resource.setrlimit(resource.RLIMIT_DATA, (int(options.memory * 1e9), most))
            timings, results = measure(binary, file, repeats, scratch)
            resource.setrlimit(resource.RLIMIT_DATA, (usual, most))
            records.extend(figures(rows, file, timings))
            differs = differences(results)
            if differs:
                print(differs, file=sys.stderr)
            failed |= bool(differs) or any(timing.failure for timing in timings.values())
        kept = options.csv or scratch / "growth.csv"
        with open(kept, "w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, records[0], lineterminator="\n")
            writer.writeheader()
            writer.writerows(records)
        processes = [job for job in JOBS if job not in WORK.values()]
        print(*table("seconds", JOBS, records, speed), "", sep="\n")
        print(*table("peak MB", processes, records, lambda record: record["peak_mb"]), sep="\n")
        for record in records:
            if record["failure"] and record["job"] in processes:
                print(f"\n{record['comps']:,} comps, {record['job']}: {record['failure']}")
        if options.chart:
            # In a process of its own: what this one holds is the least that can be seen of the others.
            subprocess.run([sys.executable, str(HERE / "growth_chart.py"), str(kept), str(options.chart)], check=True)
    sys.exit(1 if failed else 0)


if __name__ == "__main__":
    main()
