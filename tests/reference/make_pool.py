"""Reference values for the pooling of what several models say.

The eight schools of Gelman et al., *Bayesian Data Analysis*, 3rd edition, section 5.5: estimates and
their standard errors. The mean over schools at a fixed spread between them is that of
statsmodels.stats.meta_analysis (its fixed-effect weights, of variances that the spread has joined); at
no spread the book prints 7.7 with standard deviation 4.1. What the pooling makes of one more model is
computed by adaptive quadrature over the spread, in the units of the rule of thumb, which is a mixture of
four normals of equal weight (fit/prior.rs): each is one belief about all models, and what they say
weighs it. With a probability of one in ten the model is unlike the others and the rule alone speaks of it.

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
    {"mean": [7.5, 8.6], "sd": [0.5, 0.9]},
]
# The normals that a Student-t distribution with 2 degrees of freedom is written as.
RULE_SCALES = [0.693, 1.010, 1.459, 2.737]
UNLIKE = 0.1


def mean_given(spread):
    """Mean over the schools and its standard deviation where schools differ by `spread`."""
    variances = np.square(SCHOOLS["sd"]) + spread**2
    pooled = combine_effects(np.array(SCHOOLS["mean"]), variances)
    return {
        "spread": spread,
        "mean": float(pooled.mean_effect_fe),
        "sd": float(np.sqrt(pooled.var_eff_w_fe)),
    }


def given_scale(said, scale):
    """Evidence for a rule that is one normal of this scale, and with it mean and variance of one more
    model, by quadrature over the spread between models."""
    y, variances = np.array(said["mean"]), np.square(said["sd"])
    ones = np.ones_like(y)
    possible = halfnorm.cdf(scale, scale=SCALE)

    def moments(spread):
        # The rule has variance scale² for each model, of which scale² - spread² is common to all.
        common = scale**2 - spread**2
        covariance = np.diag(variances + spread**2) + common
        density = multivariate_normal.pdf(y, np.zeros_like(y), covariance)
        density *= halfnorm.pdf(spread, scale=SCALE) / possible
        gain = np.linalg.solve(covariance, common * ones)
        mean = gain @ y
        variance = scale**2 - common * (gain @ ones)
        return density * np.array([1.0, mean, variance + mean**2])

    total, first, second = (
        quad(lambda spread, at=at: moments(spread)[at], 0, scale, epsabs=0, epsrel=1e-10, limit=200)[0]
        for at in range(3)
    )
    mean = first / total
    return total, mean, second / total - mean**2


def one_more(said):
    """What to think of one more model: the normals if it is like the others and if it is not, and mean and
    standard deviation of the whole."""
    evidence, means, variances = np.transpose([given_scale(said, scale) for scale in RULE_SCALES])
    rule = np.square(RULE_SCALES)
    weights = np.append(evidence / evidence.sum() * (1 - UNLIKE), np.full(len(rule), UNLIKE / len(rule)))
    means, variances = np.append(means, np.zeros(len(rule))), np.append(variances, rule)
    mean = weights @ means
    parts = [
        {"weight": float(weight), "mean": float(at), "sd": float(np.sqrt(variance))}
        for weight, at, variance in zip(weights, means, variances)
    ]
    sd = np.sqrt(weights @ (variances + (means - mean) ** 2))
    return {**said, "parts": parts, "pooled_mean": float(mean), "pooled_sd": float(sd)}


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
