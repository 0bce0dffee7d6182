"""Price factor of an outlet by weighted least squares of statsmodels.

Markets of 60 sales at two places: log price = level + factor at the second place + trend * months +
noise. A sale weighs 2^(-age/120). Writes outlet.json: ages in days, places and prices, and of
statsmodels' WLS the level, the factor (log) and the trend per month, with the factor's standard error.
"""

import numpy as np
import statsmodels.api as sm
from reference import demand, settle_json, wants_check

DAYS_PER_MONTH = 30.4375
CASES = [(0.5, 0.85), (0.1, 0.7), (0.8, 1.1)]
SALES = 60


def case(rng, share, factor):
    age = rng.integers(1, 240, SALES)
    there = rng.random(SALES) < share
    log = np.log(150) + np.log(factor) * there - 0.01 * age / DAYS_PER_MONTH + 0.08 * rng.standard_normal(SALES)
    price = np.round(np.exp(log), 2)
    x = np.column_stack([np.ones(SALES), there, -age / DAYS_PER_MONTH])
    fit = sm.WLS(np.log(price), x, weights=2.0 ** (-age / 120)).fit()
    demand(abs(fit.params[1] - np.log(factor)) < 3 * fit.bse[1], "the true factor within three standard errors")
    return {
        "true_factor": factor,
        "age_days": age.tolist(),
        "there": [bool(one) for one in there],
        "price": price.tolist(),
        "coefficients": fit.params.tolist(),
        "factor_error": float(fit.bse[1]),
    }


def main():
    check = wants_check(__doc__)
    rng = np.random.default_rng(20261126)
    settle_json("outlet.json", {"markets": [case(rng, *one) for one in CASES]}, check)


if __name__ == "__main__":
    main()
