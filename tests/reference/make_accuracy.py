"""Baselines of the accuracy benchmark, by statsmodels: accuracy.json.

Data: the three sets of benches/accuracy (its make_data.py and make_mariokart.py name the sources).
`oracle`: mean interval score of least squares on log price over the whole set, leave-one-out, with
the empirical 10 and 90 % quantiles of its residuals, at (n + 1) p from the bottom; on the columns
of the stated floor and on all. `draws`: of seeded draws of a target and n comps (row numbers), the
80 % prediction interval of least squares on the columns that vary; null where the comps leave no
degree of freedom or do not determine the columns. On the same draws the quantile regression of
statsmodels is compared with its linear programme. `bounds`: the prior of the benchmark's grid (bound.rs
says what it is) with the lowest mean score over the draws of a set, and on each its score and whether it
held the target. The posterior is the weighted least squares of statsmodels with the prior as further
observations, one of each coefficient itself.
"""

import itertools
import random
import sys

import numpy as np
import pandas as pd
import statsmodels.api as sm

from reference import HERE, demand, settle_json, wants_check

BENCH = HERE.parent.parent / "benches" / "accuracy"
sys.path.insert(0, str(BENCH))

import quantile  # noqa: E402
SEED = 1972
SIZES = [8, 15, 30, 60]
DRAWS = 5
# File, price, columns as they are, columns by doublings; which of them the stated floor leaves out,
# and its printed score.
SETS = {
    "auctions": (HERE / "mariokart.csv", "total_pr", ["cond", "stock_photo", "wheels"], ["duration"],
                 {"stock_photo", "duration"}, 0.380),
    "computers": (BENCH / "computers.csv", "price", ["cd", "multi", "premium", "trend"],
                  ["speed", "hd", "ram", "screen"], {"premium"}, 0.492),
    "houses": (BENCH / "houses.csv", "price",
               ["bedrooms", "bathrooms", "stories", "driveway", "recreation", "fullbase", "gasheat", "aircon",
                "garage", "prefer"], ["lotsize"], set(), 0.770),
}
MEANS = [0, 0.02, 0.03, 0.05, 0.075, 0.1, 0.125, 0.15, 0.2]
DEVIATIONS = [0.01, 0.02, 0.03, 0.05, 0.075, 0.1, 0.15, 0.25, 0.5]
CONSTANT = 1e-9
TEN_MONTHS = "trend"
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
    for solve in (quantile.by_reweighting, quantile.by_programme):
        residuals = y - x @ solve(y, x, tail)
        losses.append(np.maximum(tail * residuals, (tail - 1) * residuals).sum())
    return losses[0] / losses[1] - 1


def main():
    check = wants_check(__doc__)
    rng = random.Random(SEED)
    oracles, bounds, draws = {}, {}, []
    for name, (file, price, plain, doublings, unstated, printed) in SETS.items():
        table = pd.read_csv(file)
        cells = table[plain + doublings].replace(WORDS).astype(float)
        cells[doublings] = np.log2(cells[doublings])
        x = np.column_stack([np.ones(len(cells)), cells.to_numpy()])
        y = np.log(table[price].to_numpy(dtype=float))
        stated = [0] + [at for at, column in enumerate(cells.columns, 1) if column not in unstated]
        oracles[name] = {"stated": oracle(x[:, stated], y), "all": oracle(x, y)}
        demand(round(oracles[name]["stated"], 3) == printed, f"the floor of {name} is {printed}, found {oracles[name]}")
        drawn = [rng.sample(range(len(y)), n + 1) for n in SIZES for _ in range(DRAWS)]
        bounds[name] = bound(x, y, np.where(cells.columns == TEN_MONTHS, 0.1, 1), drawn)
        for draw in drawn:
            posed = quantile.problem(x, y, draw)
            draws.append({"set": name, "target": draw[0], "comps": draw[1:], "band": posed and band(*posed)})
            for tail in quantile.TAILS if posed else ():
                above = excess(*posed[:2], tail)
                demand(-1e-6 < above < 0.01, f"quantile regression of {name}, {draw}: {above:.2%} above its least")
    settle_json("accuracy.json", {"oracle": oracles, "bounds": bounds, "draws": draws}, check)


if __name__ == "__main__":
    main()
