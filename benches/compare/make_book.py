"""Invents a file of sold comps, for timing.

usage: make_book.py ROWS OUT.csv [--models M] [--seed S] [--until DATE]

Makers, models, prices and places are made up. Log prices scatter about a hedonic mean (model,
grade, completeness, pieces, defects, way of selling, a falling trend) with Student-t errors. The
sales lie in the two years up to --until.
"""

import argparse
import datetime
import sys

import numpy as np

HEADER = (
    "comp_id,sold_on,model,variant,completeness,grade,missing,extras,defects,works,price,shipping,"
    "currency,how_sold,venue,lot_size,note"
)
MAKERS = [
    "Nulva", "Talvenne", "Oskelde", "Brimsaw", "Quarrowe", "Ditmeer", "Pellanth", "Sorvane", "Kestomb",
    "Vundrey", "Marrowen", "Ilbeckh", "Thessarn", "Gorlane", "Wexmorr", "Ulvanty", "Jorrick", "Fenlathe",
]
SERIES = "FACHKRTW"
GRADES = np.array(["A", "B", "C", "D"])
GRADE_SHARES = [0.2, 0.42, 0.28, 0.1]
GRADE_EFFECTS = np.array([0.0, -0.07, -0.19, -0.42])
COMPLETENESS = np.array(["bare", "usable", "full", "boxed", "sealed"])
COMPLETENESS_SHARES = [0.2, 0.33, 0.27, 0.17, 0.03]
COMPLETENESS_EFFECTS = np.array([-0.18, -0.06, 0.0, 0.05, 0.17])
# Cell text, share and effect on the log price.
MISSING = [("", 0.75, 0.0), ("charger", 0.12, -0.07), ("battery", 0.08, -0.1), ("charger; strap", 0.05, -0.09)]
EXTRAS = [("", 0.78, 0.0), ("battery", 0.12, 0.05), ("case", 0.06, 0.03), ("battery x2; case", 0.04, 0.13)]
DEFECTS = [("", 0.9, 0.0), ("loose hinge", 0.05, -0.12), ("dim screen", 0.05, -0.15)]
HOW_SOLD = [("fixed", 0.4, 0.0), ("auction", 0.45, -0.06), ("offer", 0.15, -0.05)]
WORKS = [("yes", 0.96, 0.0), ("no", 0.04, -1.2)]
LOT_SIZE = [("1", 0.98, 0.0), ("2", 0.015, np.log(1.9)), ("5", 0.005, np.log(4.4))]
VARIANT = [("", 0.5, 0.0), ("grey", 0.3, 0.0), ("dark red", 0.2, 0.02)]
VENUE = [("web", 0.7, 0.0), ("fair", 0.2, 0.0), ("counter", 0.1, 0.0)]
NOTE = [("", 0.9, 0.0), ("from a collection", 0.05, 0.0), ('"quick sale, cash"', 0.05, 0.0)]
PER_MONTH = -0.006
SPREAD = 0.09
DAYS = 730
BLOCK = 100_000


def model_names(count):
    """`count` distinct names, the first being "Nulva 61K"."""
    round_ = len(MAKERS) * len(SERIES)
    return np.array(
        [f"{MAKERS[i % len(MAKERS)]} {SERIES[i // len(MAKERS) % len(SERIES)]}{4 + i // round_}" for i in range(count)],
        dtype=object,
    )


def draw(rng, choices, size):
    """Cell texts and effects of `size` draws."""
    texts, shares, effects = zip(*choices)
    at = rng.choice(len(texts), size=size, p=shares)
    return np.array(texts, dtype=object)[at], np.array(effects)[at]


def block(rng, start, size, names, levels, until):
    """Lines of `size` sales, the first being number `start`."""
    model = rng.integers(len(names), size=size)
    grade = rng.choice(len(GRADES), size=size, p=GRADE_SHARES)
    completeness = rng.choice(len(COMPLETENESS), size=size, p=COMPLETENESS_SHARES)
    age = rng.integers(DAYS, size=size)
    logs = levels[model] + GRADE_EFFECTS[grade] + COMPLETENESS_EFFECTS[completeness]
    logs -= PER_MONTH * age / 30.4
    logs += SPREAD * rng.standard_t(4, size=size).clip(-8, 8)
    drawn = {}
    for name, choices in [
        ("missing", MISSING), ("extras", EXTRAS), ("defects", DEFECTS), ("how_sold", HOW_SOLD), ("works", WORKS),
        ("lot_size", LOT_SIZE), ("variant", VARIANT), ("venue", VENUE), ("note", NOTE),
    ]:
        drawn[name], effects = draw(rng, choices, size)
        logs += effects
    shipping = np.where(rng.random(size) < 0.6, rng.integers(3, 12, size=size) - 0.1, 0.0)
    price = np.maximum(np.exp(logs) - shipping, 1.0)
    dates = np.datetime_as_string(np.datetime64(until, "D") - age.astype("timedelta64[D]"))
    return zip(
        (f"c{number:07d}" for number in range(start, start + size)), dates, names[model], drawn["variant"],
        COMPLETENESS[completeness], GRADES[grade], drawn["missing"], drawn["extras"], drawn["defects"],
        drawn["works"], (f"{value:.2f}" for value in price), (f"{value:.2f}" for value in shipping),
        ("EUR" for _ in range(size)), drawn["how_sold"], drawn["venue"], drawn["lot_size"], drawn["note"],
    )


def main():
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("rows", type=int)
    parser.add_argument("out")
    parser.add_argument("--models", type=int, help="how many models (a model for every 50 rows)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--until", type=datetime.date.fromisoformat, default=datetime.date(2026, 6, 30))
    options = parser.parse_args()
    models = max(options.rows // 50, 1) if options.models is None else options.models
    if options.rows < 1 or models < 1:
        sys.exit("ROWS and --models are at least 1")

    rng = np.random.default_rng(options.seed)
    names = model_names(models)
    levels = rng.uniform(np.log(40), np.log(600), size=models)
    with open(options.out, "w", encoding="utf-8", newline="") as file:
        file.write(HEADER + "\n")
        for start in range(0, options.rows, BLOCK):
            size = min(BLOCK, options.rows - start)
            file.writelines(",".join(row) + "\n" for row in block(rng, start, size, names, levels, options.until))


if __name__ == "__main__":
    main()
