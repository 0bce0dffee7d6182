"""Baselines of the accuracy benchmark, by statsmodels: accuracy.json.

Data: the sets of benches/accuracy (its make_data.py and make_textbook_auctions.py name the sources).
`oracle`: mean interval score of least squares on log price over the whole set, leave-one-out, with
the empirical 10 and 90 % quantiles of its residuals, at (n + 1) p from the bottom. `draws`: of
seeded draws of a target and n comps (row numbers), the 80 % prediction interval of least squares on
the columns that vary; null where the comps leave no degree of freedom or do not determine the
columns. On the same draws the quantile regression of statsmodels is compared with its linear
programme. `bounds`: the prior of the benchmark's grid (bound.rs says what it is) with the lowest
mean score over the draws of a set, and on each its score and whether it held the target; of the
sets for choosing. The posterior is the weighted least squares of statsmodels with the prior as
further observations, one of each coefficient itself. The jackknife+ and the ridge regression of
peers.py are compared with scikit-learn's, fitted anew without each comp.
"""

import itertools
import math
import random
import sys

import numpy as np
import pandas as pd
import statsmodels.api as sm
from sklearn.linear_model import RidgeCV

from reference import HERE, demand, settle_json, wants_check

BENCH = HERE.parent.parent / "benches" / "accuracy"
sys.path.insert(0, str(BENCH))

import peers  # noqa: E402

SEED = 1972
SIZES = [8, 15, 30, 60]
DRAWS = 2
# File, price, columns as they are, columns by doublings, kinds.
SETS = {
    "auctions": (HERE / "textbook_auctions.csv", "total_pr", ["cond", "stock_photo", "wheels"], ["duration"], []),
    "computers": ("computers", "price", ["cd", "multi", "trend"], ["speed", "hd", "ram", "screen"], ["premium"]),
    "houses": ("houses", "price",
               ["bedrooms", "bathrooms", "stories", "driveway", "recreation", "fullbase", "gasheat", "aircon",
                "garage", "prefer"], ["lotsize"], []),
    "cars": ("cars", "price", ["cruise", "sound", "leather"], ["mileage", "cylinders", "doors"], ["make"]),
    "stones": ("stones", "price", ["colour", "clarity"], ["carat"], []),
    "town-houses": ("town_houses", "price", ["beds", "baths"], ["area"], ["kind"]),
    "sedans": ("sedans", "price", ["age"], ["mileage"], []),
    "three-cars": ("three_cars", "price", ["age"], ["mileage"], ["make"]),
    "horses": ("horses", "price", ["age", "height"], [], ["sex"]),
    "gems": ("gems", "price", ["colour", "clarity"], ["carat", "depth"], []),
    "homes": ("homes", "price", ["bedrooms"], ["lot", "area"], ["colonial"]),
    "suburb": ("suburb", "price", ["rooms", "baths", "decades", "month"], ["area", "land"], []),
    "forest": ("forest", "price", ["beds", "baths", "built", "central"], ["area", "lot"], []),
    "new-cars": ("new_cars", "price", ["airbags"], ["power", "engine", "weight", "economy"], ["kind"]),
}
CHOOSING = ["auctions", "computers", "houses", "cars", "stones", "town-houses"]
MEANS = [0, 0.02, 0.03, 0.05, 0.075, 0.1, 0.125, 0.15, 0.2]
DEVIATIONS = [0.01, 0.02, 0.03, 0.05, 0.075, 0.1, 0.15, 0.25, 0.5]
CONSTANT = 1e-9
MONTHS = ["trend", "month"]
WORDS = {"new": 1.0, "yes": 1.0, "used": 0.0, "no": 0.0}


def score(low, high, y):
    """Interval score of Winkler (1972) of 80 % intervals."""
    return high - low + 2 / 0.2 * (np.maximum(low - y, 0) + np.maximum(y - high, 0))


def oracle(x, y):
    """Mean score, leave-one-out, with the quantiles of the left-out residuals as the band."""
    residuals = sm.OLS(y, x).fit().get_influence().resid_press
    low, high = np.quantile(residuals, [0.1, 0.9], method="weibull")
    return float(score(low, high, residuals).mean())


def bound(x, y, steps, draws):
    """The best of the grid over the draws; `steps` are the units of the coefficients but the constant's."""
    fit = sm.OLS(y, x).fit()
    ends = np.quantile(fit.get_influence().resid_press, [0.1, 0.9], method="weibull")
    units = {"step": steps, "deviation": 1 / x[:, 1:].std(axis=0)}

    def tried(unit, mean, sd):
        sizes = units[unit]
        prior = np.r_[0, mean * sizes * np.sign(fit.params[1:])]
        precisions = np.r_[CONSTANT, (sd * sizes) ** -2.0]
        for target, *comps in draws:
            posterior = sm.WLS(
                np.r_[y[comps], prior],
                np.vstack([x[comps], np.eye(x.shape[1])]),
                weights=np.r_[np.full(len(comps), 1 / fit.scale), precisions],
            ).fit()
            variance = x[target] @ posterior.normalized_cov_params @ x[target]
            low, high = x[target] @ posterior.params + ends * np.sqrt(1 + variance / fit.scale)
            yield float(score(low, high, y[target])), bool(low <= y[target] <= high)

    def total(prior):
        return sum(score for score, _ in tried(*prior))

    best = min(itertools.product(units, MEANS, DEVIATIONS), key=total)
    scores, covered = zip(*tried(*best))
    return {**dict(zip(["unit", "mean", "sd"], best)), "scores": scores, "covered": covered}


def band(y, x, target):
    """80 % prediction interval at the target by least squares."""
    frame = sm.OLS(y, x).fit().get_prediction(target[None, :]).summary_frame(alpha=0.2)
    return [float(frame[end].iloc[0]) for end in ("obs_ci_lower", "obs_ci_upper")]


def excess(y, x, tail):
    """By how much of it the loss of statsmodels' quantile regression is above the least there is."""
    losses = []
    for solve in (peers.by_reweighting, peers.by_programme):
        residuals = y - x @ solve(y, x, tail)
        losses.append(np.maximum(tail * residuals, (tail - 1) * residuals).sum())
    return losses[0] / losses[1] - 1


def read(file, price, plain, doublings, kinds):
    """Design, units of its columns but the constant's, and log prices."""
    table = pd.read_csv(BENCH / f"{file}.csv" if isinstance(file, str) else file).replace(WORDS)
    cells = table[plain + doublings].astype(float)
    cells[doublings] = np.log2(cells[doublings])
    dummies = pd.get_dummies(table[kinds].astype("category"), drop_first=True, dtype=float) if kinds else table[[]]
    cells = cells.join(dummies)
    x = np.column_stack([np.ones(len(cells)), cells.to_numpy()])
    return x, np.where(cells.columns.isin(MONTHS), 0.1, 1), np.log(table[price].to_numpy(dtype=float))


def check_jackknife(x, y, draw):
    """The jackknife+ of peers.py against scikit-learn's ridge regression, fitted without each comp."""
    y, x, target = peers.varying(x, y, draw)
    x, target = x[:, 1:], target[1:]
    ends = []
    for i in range(len(y)):
        others = np.arange(len(y)) != i
        model = RidgeCV(alphas=peers.PENALTIES).fit(x[others], y[others])
        off = abs(y[i] - model.predict(x[[i]])[0])
        at = model.predict(target[None, :])[0]
        ends.append((at - off, at + off))
    below, above = (sorted(side) for side in zip(*ends))
    low, high = math.floor(0.2 * (len(y) + 1)), math.ceil(0.8 * (len(y) + 1))
    found = peers.jackknife_plus(y, x, target)
    expected = [below[low - 1], above[high - 1]]
    demand(np.allclose(found, expected, atol=1e-6), f"jackknife+ of {draw}: {found}, by scikit-learn {expected}")


def main():
    check = wants_check(__doc__)
    rng = random.Random(SEED)
    oracles, bounds, draws = {}, {}, []
    for name, declared in SETS.items():
        x, steps, y = read(*declared)
        oracles[name] = oracle(x, y)
        drawn = [rng.sample(range(len(y)), n + 1) for n in SIZES if 3 * n <= 2 * len(y) for _ in range(DRAWS)]
        if name in CHOOSING:
            bounds[name] = bound(x, y, steps, drawn)
        for draw in drawn:
            posed = peers.problem(x, y, draw)
            draws.append({"set": name, "target": draw[0], "comps": draw[1:], "band": posed and band(*posed)})
            check_jackknife(x, y, draw)
            for tail in peers.TAILS if posed else ():
                above = excess(*posed[:2], tail)
                demand(-1e-6 < above < 0.02, f"quantile regression of {name}, {draw}: {above:.2%} above its least")
    settle_json("accuracy.json", {"oracle": oracles, "bounds": bounds, "draws": draws}, check)


if __name__ == "__main__":
    main()
