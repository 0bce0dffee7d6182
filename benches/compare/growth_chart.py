"""Draws what growth.py measured: seconds and peak memory against the number of comps.

usage: growth_chart.py growth.csv CHART.svg
"""

import csv
import sys

import matplotlib

matplotlib.use("Agg")
import matplotlib.pyplot as plt
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from growth import COLD, IMPORT, PANDAS, PARQUET, POLARS, WARM

# compband in blues, the others in colours that differ in lightness too.
STYLES = {
    IMPORT: {"color": "#8fb4d9", "marker": "^"},
    COLD: {"color": "#4a86bf", "marker": "s"},
    WARM: {"color": "#123f6d", "marker": "o", "linewidth": 2.4},
    PANDAS: {"color": "#c2703d", "marker": "D", "linestyle": "--"},
    POLARS: {"color": "#7a8f4a", "marker": "v", "linestyle": "--"},
    PARQUET: {"color": "#8a6f8f", "marker": "P", "linestyle": "--"},
}
INK = "#333333"


def count(value, _):
    """A number of comps in few characters: `100 k`, `10 M`."""
    for size, letter in [(1e6, " M"), (1e3, " k")]:
        if value >= size:
            return f"{value / size:g}{letter}"
    return f"{value:g}"


def draw(axes, records, column, title):
    """A line for each job, both scales logarithmic; sizes without a figure are left out."""
    for job, style in STYLES.items():
        points = [(int(r["comps"]), float(r[column])) for r in records if r["job"] == job and r[column]]
        x, y = zip(*points) if points else ((), ())
        axes.plot(x, y, label=job, markersize=5, **{"linewidth": 1.6, **style})
    axes.set(xscale="log", yscale="log")
    axes.set_title(title, loc="left", fontsize=11, color=INK)
    axes.set_xlabel("comps", color=INK)
    for axis, subs, label in [(axes.xaxis, [1], count), (axes.yaxis, [1, 3], lambda value, _: f"{value:,g}")]:
        axis.set_major_locator(LogLocator(subs=subs, numticks=12))
        axis.set_major_formatter(FuncFormatter(label))
        axis.set_minor_formatter(NullFormatter())
    axes.grid(which="major", color="#e4e4e4", linewidth=0.8)
    axes.tick_params(colors=INK, which="both")
    axes.spines[["top", "right"]].set_visible(False)
    axes.spines[["left", "bottom"]].set_color("#999999")


def main():
    if len(sys.argv) != 3:
        sys.exit(__doc__.strip().split("\n")[-1])
    with open(sys.argv[1], encoding="utf-8", newline="") as file:
        records = list(csv.DictReader(file))
    # The same figures make the same file.
    plt.rcParams.update({"svg.hashsalt": "growth", "font.size": 10})
    figure, (time, memory) = plt.subplots(1, 2, figsize=(9, 4.8), layout="constrained")
    draw(time, records, "seconds", "Seconds")
    draw(memory, records, "peak_mb", "Peak memory, MB")
    handles, labels = time.get_legend_handles_labels()
    figure.legend(handles, labels, loc="outside lower center", ncols=3, frameon=False, labelcolor=INK)
    figure.savefig(sys.argv[2], metadata={"Date": None, "Creator": None}, facecolor="white")


if __name__ == "__main__":
    main()
