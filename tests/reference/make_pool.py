"""Reference values for the pooling of what several models say.

The eight schools of Gelman et al., *Bayesian Data Analysis*, 3rd edition, section 5.5: estimates and
their standard errors. The mean over schools at a fixed spread between them is that of
statsmodels.stats.meta_analysis (its fixed-effect weights, of variances that the spread has joined); at
no spread the book prints 7.7 with standard deviation 4.1. What the pooling makes of one more model is
computed by adaptive quadrature over the spread, in the units of the rule of thumb.

usage: make_pool.py [--check]
"""

import numpy as np
from reference import demand, settle_json, wants_check
from scipy.integrate import quad
from scipy.stats import halfnorm, multivariate_normal
from statsmodels.stats.meta_analysis import combine_effects

SCHOOLS = {
    "mean": [28.0, 8.0, -3.0, 7.0, -1.0, 1.0, 18.0, 12.0],
    "sd": [15.0, 10.0, 16.0, 11.0, 9.0, 11.0, 10.0, 18.0],
}
PRINTED = {"mean": 7.7, "sd": 4.1}
SPREADS = [0.0, 2.0, 5.0, 10.0, 25.0]
SCALE = 0.5
# What models say in spreads of the rule of thumb from its mean: few, many, agreeing, contradicting.
SAID = [
    {"mean": [0.8], "sd": [0.3]},
    {"mean": [-0.4, 1.9], "sd": [0.5, 0.9]},
    {"mean": [0.55, 0.4, 0.7, 0.5, 0.62], "sd": [0.2, 0.4, 0.3, 0.25, 0.5]},
    {"mean": [-1.6, 1.1, -0.9, 2.2, 0.3, -2.0], "sd": [0.3, 0.2, 0.4, 0.6, 0.2, 0.5]},
    {"mean": [3.0, 3.4, 2.7, 3.3], "sd": [0.4, 0.6, 0.5, 0.3]},
]


def mean_given(spread):
    """Mean over the schools and its standard deviation where schools differ by `spread`."""
    variances = np.square(SCHOOLS["sd"]) + spread**2
    pooled = combine_effects(np.array(SCHOOLS["mean"]), variances)
    return {
        "spread": spread,
        "mean": float(pooled.mean_effect_fe),
        "sd": float(np.sqrt(pooled.var_eff_w_fe)),
    }


def one_more(said):
    """Mean and standard deviation of one more model, by quadrature over the spread."""
    y, variances = np.array(said["mean"]), np.square(said["sd"])
    ones = np.ones_like(y)

    def moments(spread):
        # The rule of thumb has variance 1 for each model, of which 1 - spread² is common to all.
        common = 1 - spread**2
        covariance = np.diag(variances + spread**2) + common
        density = multivariate_normal.pdf(y, np.zeros_like(y), covariance) * halfnorm.pdf(spread, scale=SCALE)
        gain = np.linalg.solve(covariance, common * ones)
        mean = gain @ y
        variance = 1 - common * (gain @ ones)
        return density * np.array([1.0, mean, variance + mean**2])

    total, first, second = (
        quad(lambda spread, at=at: moments(spread)[at], 0, 1, epsabs=0, epsrel=1e-10, limit=200)[0]
        for at in range(3)
    )
    mean = first / total
    return {**said, "pooled_mean": mean, "pooled_sd": float(np.sqrt(second / total - mean**2))}


def main():
    check = wants_check(__doc__)
    given = [mean_given(spread) for spread in SPREADS]
    for key, value in PRINTED.items():
        demand(round(given[0][key], 1) == value, f"{key} {value} of the book at no spread")
    results = {
        "schools": {**SCHOOLS, "printed_at_no_spread": PRINTED, "mean_given": given},
        "one_more": [one_more(said) for said in SAID],
    }
    settle_json("pool.json", results, check)


if __name__ == "__main__":
    main()
