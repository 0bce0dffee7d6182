"""Jackknife+ intervals for least squares on the auction data, by refitting: jackknife.json.

Definition: R. F. Barber, E. J. Candès, A. Ramdas and R. J. Tibshirani, Predictive inference with
the jackknife+, Annals of Statistics 49 (2021), introduction. With n rows, R_i the size of row i's
residual to the fit without it and m_i(x) that fit's prediction at x, the interval runs from the
floor(alpha (n + 1))-th smallest of m_i(x) - R_i to the ceil((1 - alpha)(n + 1))-th smallest of
m_i(x) + R_i.
"""

import csv
from fractions import Fraction
from math import ceil, floor

import numpy as np

from reference import HERE, settle_json, wants_check

ALPHA = Fraction(1, 5)
TERMS = ["intercept", "new", "stock_photo", "duration", "wheels"]
TARGETS = [
    [1.0, 1.0, 1.0, 1.0, 2.0],
    [1.0, 0.0, 0.0, 7.0, 0.0],
    [1.0, 0.0, 1.0, 3.0, 1.0],
]
# The same from the first rows alone, where every row left out moves the fit.
FEW = 12


def read_lots():
    """Response (n) and design (n × 5) of mariokart.csv, columns in the order of `TERMS`."""
    with open(HERE / "mariokart.csv", newline="", encoding="utf-8") as file:
        lots = list(csv.DictReader(file))
    y = np.array([float(lot["total_pr"]) for lot in lots])
    x = np.array(
        [
            [1.0, lot["cond"] == "new", lot["stock_photo"] == "yes", float(lot["duration"]), float(lot["wheels"])]
            for lot in lots
        ],
        dtype=float,
    )
    return y, x


def left_out_fits(y, x):
    """Coefficients of the fit without each row, n × p."""
    rows = np.arange(len(y))
    return np.array([np.linalg.lstsq(x[rows != i], y[rows != i], rcond=None)[0] for i in rows])


def jackknife_plus(y, x):
    """The intervals at `TARGETS` and the residuals behind them."""
    n = len(y)
    fits = left_out_fits(y, x)
    residuals = y - np.einsum("ij,ij->i", x, fits)
    lower = floor(ALPHA * (n + 1))
    upper = ceil((1 - ALPHA) * (n + 1))
    intervals = []
    for target in TARGETS:
        means = fits @ np.array(target)
        low = np.sort(means - np.abs(residuals))[lower - 1]
        high = np.sort(means + np.abs(residuals))[upper - 1]
        intervals.append({"row": target, "low": float(low), "high": float(high)})
    return {
        "rows": n,
        "left_out_residuals": [float(r) for r in residuals],
        "intervals": intervals,
    }


def main():
    check = wants_check(__doc__)
    y, x = read_lots()
    results = {
        "alpha": float(ALPHA),
        "columns": TERMS,
        "all": jackknife_plus(y, x),
        "few": jackknife_plus(y[:FEW], x[:FEW]),
    }
    settle_json("jackknife.json", results, check)


if __name__ == "__main__":
    main()
