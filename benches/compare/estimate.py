"""The same job with pandas and statsmodels, for timing side by side.

usage: estimate.py BOOK.csv --model M [--grade B] [--completeness full] [--as-of DATE]

Selects the model's working single units of the last 365 days (the newest 2000), fits the log of
what was paid with a robust regression, and prints the median and the 80 % band for one more sale,
with the seconds each part took. It does less than compband does: no rules of thumb, no sign
constraints, no decay by age, no trimming and no calibration of the band.
"""

import time

STARTED = time.perf_counter()

import argparse
import json
import sys

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy import stats

NEEDED = [
    "sold_on", "model", "completeness", "grade", "missing", "extras", "works", "price", "shipping", "how_sold",
    "lot_size",
]
WINDOW_DAYS = 365
MOST_COMPS = 2000
DAYS_PER_MONTH = 30.436875
BAND = 0.8
NU = 4
# A column of the design for every so many comps.
COMPS_PER_COLUMN = 4
# The scale of the fit is the median absolute residual over the normal upper quartile; the scale of
# Student-t errors is that residual over their own.
T_SCALE = stats.norm.ppf(0.75) / stats.t.ppf(0.75, NU)


def fold(text):
    """The form in which models are compared: lower case, no white space."""
    return "".join(text.lower().split())


def load(path):
    """The needed columns; dates and amounts read, the rest text."""
    types = dict.fromkeys(["model", "completeness", "grade", "works", "how_sold"], "category")
    return pd.read_csv(
        path, usecols=NEEDED, dtype={**types, "missing": str, "extras": str}, parse_dates=["sold_on"],
        keep_default_na=False, na_values={"price": [""], "shipping": [""]},
    )


def select(book, model, as_of):
    """The newest comps of the model that count, with the age in days."""
    folded = book["model"].cat.categories.to_series().map(fold)
    spellings = folded.index[folded == fold(model)]
    age = (as_of - book["sold_on"]).dt.days
    chosen = (
        book["model"].isin(spellings) & (book["works"] == "yes") & (book["lot_size"] == 1)
        & age.between(0, WINDOW_DAYS)
    )
    return book[chosen].assign(age=age[chosen]).nsmallest(MOST_COMPS, "age", keep="first")


def counts(cells):
    """One column for every name in list cells such as `charger; battery x2`."""
    def parsed(cell):
        found = {}
        for entry in filter(None, (part.strip() for part in cell.split(";"))):
            name, apart, count = entry.rpartition(" x")
            if not (apart and count.isdigit()):
                name, count = entry, 1
            found[name] = found.get(name, 0) + int(count)
        return found

    return pd.DataFrame([parsed(cell) for cell in cells], index=cells.index).fillna(0.0)


def design(comps):
    """Design of the comps, a constant first; no more columns than the comps can bear."""
    parts = [
        *(pd.get_dummies(comps[name].astype(str), prefix=name, dtype=float)
          for name in ("grade", "completeness", "how_sold")),
        counts(comps["missing"]).add_prefix("missing "),
        counts(comps["extras"]).add_prefix("extra "),
        (-comps["age"] / DAYS_PER_MONTH).rename("months").to_frame(),
    ]
    # A factor's first level is what its others are measured against.
    parts[:3] = [part.iloc[:, 1:] for part in parts[:3]]
    x = pd.concat(parts, axis=1)
    return independent(x.loc[:, most_informed(x)])


def most_informed(x):
    """The columns that vary, those that set most comps apart first."""
    apart = pd.Series({name: len(x) - x[name].value_counts().max() for name in x})
    return apart[apart > 0].sort_values(ascending=False, kind="stable").index


def independent(x):
    """A constant and the leading columns that are no combinations of those before them."""
    kept = pd.DataFrame({"constant": 1.0}, index=x.index)
    for name in x:
        if (kept.shape[1] + 1) * COMPS_PER_COLUMN > len(x):
            break
        wider = kept.assign(**{name: x[name]})
        if np.linalg.matrix_rank(wider.to_numpy()) == wider.shape[1]:
            kept = wider
    return kept


def subject_row(columns, grade, completeness, how_sold):
    """The subject as a row of the design: nothing missing, nothing extra, sold today."""
    own = {"constant", f"grade_{grade}", f"completeness_{completeness}", f"how_sold_{how_sold}"}
    return np.array([float(column in own) for column in columns])


def estimate(comps, grade, completeness):
    """Median and band ends of one more sale, in money."""
    y = np.log(comps["price"] + comps["shipping"].fillna(0.0))
    x = design(comps)
    norm = sm.robust.norms.StudentT(c=T_SCALE, df=NU)
    fit = sm.RLM(y, x, M=norm).fit()
    row = subject_row(x.columns, grade, completeness, comps["how_sold"].mode().iloc[0])
    mean = row @ fit.params.to_numpy()
    spread = np.sqrt(fit.scale**2 + row @ fit.cov_params().to_numpy() @ row)
    half = stats.t.ppf((1 + BAND) / 2, max(len(y) - x.shape[1], 1)) * spread
    return [round(float(value), 2) for value in np.exp([mean, mean - half, mean + half])]


def run(doc, started, read):
    """The job of a command line: `read(path, model, as_of)` gives the comps, newest first; prints the result."""
    parser = argparse.ArgumentParser(description=doc.split("\n")[0])
    parser.add_argument("book")
    parser.add_argument("--model", required=True)
    parser.add_argument("--grade", default="B")
    parser.add_argument("--completeness", default="full")
    parser.add_argument("--as-of", type=pd.Timestamp, default=pd.Timestamp.today().normalize())
    options = parser.parse_args()

    marks = [started, time.perf_counter()]
    comps = read(options.book, options.model, options.as_of)
    marks.append(time.perf_counter())
    if len(comps) < 3:
        sys.exit(f"{options.book}: {len(comps)} comps of {options.model!r} count, at least 3 are needed")
    median, low, high = estimate(comps, options.grade, options.completeness)
    marks.append(time.perf_counter())
    seconds = dict(zip(("imports", "read", "fit"), (round(float(s), 4) for s in np.diff(marks))))
    print(json.dumps({"comps": len(comps), "median": median, "low": low, "high": high, "seconds": seconds}))


if __name__ == "__main__":
    run(__doc__, STARTED, lambda path, model, as_of: select(load(path), model, as_of))
