"""Peers of the accuracy benchmark that need Python: 80 % bands on log price.

usage: peers.py [--workers N] FILE
`cargo bench --bench accuracy -- --python …` runs this with the versions in
tests/reference/requirements.txt. FILE is JSON: `rows` (a design with its intercept), `log_prices`,
and `draws`, each a list of row numbers, the target first and its comps behind. Prints JSON: by the
name of each peer, per draw the band at the target, or null where it cannot be fitted.

Columns that do not vary over the comps are left out. The others are standardised over the comps
for all but quantile regression, which does not mind.

quantile regression  Of statsmodels, by iteratively reweighted least squares, which stops near the
    minimum of the loss and not at it: within 2 % on the draws on which tests/reference/make_accuracy.py
    compares it with the linear programme (Koenker and Bassett 1978).
    Not fitted where the comps leave no degree of freedom or do not determine the columns.
    Quantiles that cross are put in order.
Bayesian ridge       scikit-learn's BayesianRidge as it comes; the band is normal, from the standard
    deviation that it predicts.
Gaussian process     scikit-learn's, with a linear, an RBF and a noise kernel, by the marginal
    likelihood; normal band likewise.
quantile forest      The package quantile-forest (Meinshausen 2006) as it comes, 100 trees.
jackknife+ ridge     Jackknife+ (Barber, Candès, Ramdas and Tibshirani 2021) on ridge regression, whose
    penalty is chosen by leave-one-out within each of its fits.
"""

import os

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import argparse
import json
import math
import multiprocessing
import warnings
from functools import partial
from pathlib import Path

import numpy as np
import scipy.optimize
import scipy.stats
from statsmodels.regression.quantile_regression import QuantReg

TAILS = (0.1, 0.9)
NORMAL = scipy.stats.norm.ppf(TAILS[1])
MOST_ROUNDS = 1000
PENALTIES = np.geomspace(1e-3, 1e3, 13)


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


def varying(rows, log_prices, draw):
    """Log prices and design of the comps and the target's row, over the columns that vary."""
    target, comps = draw[0], draw[1:]
    x = rows[comps]
    kept = np.ptp(x, axis=0) > 0
    kept[0] = True
    return log_prices[comps], x[:, kept], rows[target, kept]


def problem(rows, log_prices, draw):
    """The same; None where the comps leave no degree of freedom or do not determine the columns."""
    y, x, target = varying(rows, log_prices, draw)
    if len(y) <= x.shape[1] or np.linalg.matrix_rank(x) < x.shape[1]:
        return None
    return y, x, target


def quantile_regression(y, x, target):
    """The two quantiles at the target in order, or None."""
    if len(y) <= x.shape[1] or np.linalg.matrix_rank(x) < x.shape[1]:
        return None
    fits = [by_reweighting(y, x, tail) for tail in TAILS]
    if any(fit is None or not np.isfinite(fit).all() for fit in fits):
        return None
    return sorted(float(target @ fit) for fit in fits)


def normal_band(model, y, x, target):
    """The band of a fitted regressor of scikit-learn that predicts a standard deviation."""
    mean, deviation = model.fit(x, y).predict(target[None, :], return_std=True)
    return [float(mean[0] + side * NORMAL * deviation[0]) for side in (-1, 1)]


def bayesian_ridge(y, x, target):
    from sklearn.linear_model import BayesianRidge

    return normal_band(BayesianRidge(), y, x, target)


def gaussian_process(y, x, target):
    from sklearn.gaussian_process import GaussianProcessRegressor, kernels

    kernel = kernels.DotProduct() + kernels.ConstantKernel() * kernels.RBF() + kernels.WhiteKernel()
    return normal_band(GaussianProcessRegressor(kernel, normalize_y=True), y, x, target)


def quantile_forest(y, x, target):
    from quantile_forest import RandomForestQuantileRegressor

    forest = RandomForestQuantileRegressor(n_estimators=100, random_state=0).fit(x, y)
    return [float(end) for end in forest.predict(target[None, :], quantiles=list(TAILS))[0]]


def ridge(y, x):
    """Mean and coefficients of ridge regression, the mean not penalised, with the penalty that
    leaves the least squared error leave-one-out."""
    centre, mean = x.mean(axis=0), y.mean()
    u, d, vt = np.linalg.svd(x - centre, full_matrices=False)
    along = u.T @ (y - mean)
    shrunk = d**2 / (d**2 + PENALTIES[:, None])
    leverages = 1 / len(y) + shrunk @ (u**2).T
    errors = (y - mean - (shrunk * along) @ u.T) / np.maximum(1 - leverages, 1e-9)
    penalty = PENALTIES[np.argmin((errors**2).sum(axis=1))]
    slopes = vt.T @ (d / (d**2 + penalty) * along)
    return mean - centre @ slopes, slopes


def jackknife_plus(y, x, target):
    n = len(y)
    lows, highs = np.empty(n), np.empty(n)
    for i in range(n):
        others = np.arange(n) != i
        mean, slopes = ridge(y[others], x[others])
        off = abs(y[i] - mean - x[i] @ slopes)
        at = mean + target @ slopes
        lows[i], highs[i] = at - off, at + off
    miss = 1 - (TAILS[1] - TAILS[0])
    low, high = math.floor(miss * (n + 1)), math.ceil((1 - miss) * (n + 1))
    if low < 1 or high > n:
        return None
    return [float(np.sort(lows)[low - 1]), float(np.sort(highs)[high - 1])]


STANDARDISED = {
    "Bayesian ridge": bayesian_ridge,
    "Gaussian process": gaussian_process,
    "quantile forest": quantile_forest,
    "jackknife+ ridge": jackknife_plus,
}


def bands(rows, log_prices, draw):
    """The band of every peer on one draw."""
    y, x, target = varying(rows, log_prices, draw)
    centre, scale = x[:, 1:].mean(axis=0), x[:, 1:].std(axis=0)
    z, at = (x[:, 1:] - centre) / scale, (target[1:] - centre) / scale
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = {"quantile regression": quantile_regression(y, x, target)}
        for name, peer in STANDARDISED.items():
            found[name] = peer(y, z, at) if z.shape[1] else None
    return found


def main():
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--workers", type=int, default=2, help="processes")
    parser.add_argument("file", type=Path)
    args = parser.parse_args()
    given = json.loads(args.file.read_text(encoding="utf-8"))
    one = partial(bands, np.array(given["rows"]), np.array(given["log_prices"]))
    with multiprocessing.Pool(args.workers) as pool:
        found = pool.map(one, given["draws"], chunksize=4)
    names = ["quantile regression", *STANDARDISED]
    print(json.dumps({name: [bands[name] for bands in found] for name in names}))


if __name__ == "__main__":
    main()
