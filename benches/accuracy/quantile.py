"""Quantile regression on log price, the third baseline of the accuracy benchmark.

usage: quantile.py [--exact] FILE
`cargo bench --bench accuracy -- --python …` runs this with the versions in
tests/reference/requirements.txt. FILE is JSON: `rows` (a design with its intercept), `log_prices`,
and `draws`, each a list of row numbers, the target first and its comps behind. Prints a JSON list:
per draw the 10 and 90 % quantiles at the target, or null where they cannot be fitted.

Columns that do not vary over the comps are left out, as for least squares; what cannot be fitted
are comps that leave no degree of freedom or do not determine the columns, and what statsmodels
ends in an error. Quantiles that cross are put in order.

The fit is that of statsmodels, iteratively reweighted least squares, which stops near the minimum
of the loss and not at it: within 1 % on the draws that tests/reference/make_accuracy.py compares.
`--exact` solves the linear programme (Koenker and Bassett 1978) with scipy instead, to see that
this does not hold the baseline back.
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import multiprocessing
import warnings
from functools import partial
from pathlib import Path

import numpy as np
import scipy.optimize
from statsmodels.regression.quantile_regression import QuantReg

TAILS = (0.1, 0.9)
MOST_ROUNDS = 1000


def by_reweighting(y, x, tail):
    """Coefficients of statsmodels; None where it gives none."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return QuantReg(y, x).fit(q=tail, max_iter=MOST_ROUNDS).params
    except (ValueError, np.linalg.LinAlgError):
        return None


def by_programme(y, x, tail):
    """Coefficients at the exact minimum, residuals split in what is above and what is below; None
    where the solver finds none."""
    n, p = x.shape
    cost = np.concatenate([np.zeros(p), np.full(n, tail), np.full(n, 1 - tail)])
    sides = np.hstack([x, np.eye(n), -np.eye(n)])
    bounds = [(None, None)] * p + [(0, None)] * (2 * n)
    found = scipy.optimize.linprog(cost, A_eq=sides, b_eq=y, bounds=bounds, method="highs")
    return found.x[:p] if found.success else None


def problem(rows, log_prices, draw):
    """Log prices and design of the comps and the target's row, over the columns that vary; None
    where the comps leave no degree of freedom or do not determine the columns."""
    target, comps = draw[0], draw[1:]
    x = rows[comps]
    kept = np.ptp(x, axis=0) > 0
    kept[0] = True
    x = x[:, kept]
    if len(comps) <= x.shape[1] or np.linalg.matrix_rank(x) < x.shape[1]:
        return None
    return log_prices[comps], x, rows[target, kept]


def band(solve, rows, log_prices, draw):
    """The quantiles of one draw, or None."""
    posed = problem(rows, log_prices, draw)
    if posed is None:
        return None
    y, x, target = posed
    fits = [solve(y, x, tail) for tail in TAILS]
    if any(fit is None or not np.isfinite(fit).all() for fit in fits):
        return None
    return sorted(float(target @ fit) for fit in fits)


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--exact", action="store_true", help="solve the linear programme")
    parser.add_argument("file", type=Path)
    args = parser.parse_args()
    given = json.loads(args.file.read_text(encoding="utf-8"))
    solve = by_programme if args.exact else by_reweighting
    one = partial(band, solve, np.array(given["rows"]), np.array(given["log_prices"]))
    with multiprocessing.Pool() as pool:
        print(json.dumps(pool.map(one, given["draws"], chunksize=16)))


if __name__ == "__main__":
    main()
