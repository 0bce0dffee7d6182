"""Price factor of an outlet by weighted least squares of statsmodels.

A market of 60 sales at two places: log price = level + factor at the second place + trend * months +
noise. The sales weigh 2^(-age/120) each. Writes outlet.json: age in days, place, price, and for the
level, the factor (log) and the trend per month the coefficients of statsmodels' WLS.
"""

import json
import pathlib

import numpy as np
import statsmodels.api as sm

DAYS_PER_MONTH = 30.4375

rng = np.random.default_rng(20261126)
cases = []
for share, factor in [(0.5, 0.85), (0.1, 0.7), (0.8, 1.1)]:
    n = 60
    age = rng.integers(1, 240, n)
    there = rng.random(n) < share
    price = np.round(
        np.exp(np.log(150) + np.log(factor) * there - 0.01 * age / DAYS_PER_MONTH + 0.08 * rng.standard_normal(n)), 2
    )
    x = np.column_stack([np.ones(n), there, -age / DAYS_PER_MONTH])
    fit = sm.WLS(np.log(price), x, weights=2.0 ** (-age / 120)).fit()
    cases.append(
        {
            "true_factor": factor,
            "age_days": age.tolist(),
            "there": [bool(one) for one in there],
            "price": price.tolist(),
            "coefficients": fit.params.tolist(),
            "factor_error": float(fit.bse[1]),
        }
    )
path = pathlib.Path(__file__).with_name("outlet.json")
path.write_text(json.dumps(cases, indent=1) + "\n")
