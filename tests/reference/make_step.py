"""Posterior probability of a step in the level of a series, by brute force.

Model as in src/fit/step.rs with a level and nothing else: y_i = a + d*[i before the step] + s*e_i, e_i
Student-t with 4 degrees of freedom, a flat, d ~ N(0, 0.3^2), log s ~ N(log s0, 1/2), the density of the
errors as numpy and scipy have it. Every integral is a sum over a fine grid; the posterior over days of
the step is that of Smith (1975), Biometrika 62: 407-416. Writes step.json.
"""

import json
import pathlib

import numpy as np
from scipy.special import logsumexp
from scipy.stats import t

NU, SIZE, USUAL, RATE, LEAST, YEAR = 4, 0.3, 0.15, 0.5, 2, 365.25
# The usual spread is stated as the normal one with the same middle 80 %.
S0 = USUAL * 1.2815515655446004 / t.ppf(0.9, NU)

LOG_S = np.log(S0) + np.linspace(-2.5, 2.0, 31)
SIZES = np.linspace(-0.9, 0.9, 73)


def evidence(y, before):
    """Log of the integral over level, size (where there is a step) and scale."""
    levels = np.linspace(-0.5, 0.5, 101)
    sizes = SIZES if before.any() else np.array([0.0])
    out = []
    for log_s in LOG_S:
        s = np.exp(log_s)
        prior = -((log_s - np.log(S0)) ** 2)
        shifted = y[:, None] - before[:, None] * sizes[None, :]
        z = (shifted[:, :, None] - levels[None, None, :]) / s
        log = t.logpdf(z, NU).sum(0) - len(y) * log_s + prior
        if before.any():
            step = SIZES[1] - SIZES[0]
            log = log - 0.5 * (sizes[:, None] / SIZE) ** 2 - np.log(SIZE * np.sqrt(2 * np.pi)) + np.log(step)
        out.append(logsumexp(log))
    return logsumexp(out)


def probability(days, y):
    none = evidence(y, np.zeros(len(y)))
    odds = []
    for at in range(LEAST, len(y) - LEAST + 1):
        gap = days[at] - days[at - 1]
        if gap > 0:
            before = (np.arange(len(y)) < at).astype(float)
            odds.append(evidence(y, before) - none + np.log(RATE * gap / YEAR))
    total = logsumexp(odds)
    return 1 / (1 + np.exp(-total))


rng = np.random.default_rng(20261126)
cases = []
for n, after, size, spread, heavy in [
    (16, 4, -0.29, 0.08, False),
    (16, 5, -0.29, 0.15, False),
    (24, 8, -0.20, 0.12, True),
    (20, 6, 0.0, 0.10, False),
    (30, 10, 0.18, 0.12, False),
    (12, 3, -0.45, 0.10, False),
    (30, 15, -0.12, 0.10, True),
]:
    days = np.cumsum(rng.integers(1, 12, n))
    e = rng.standard_t(3, n) if heavy else rng.standard_normal(n)
    y = spread * e + np.where(np.arange(n) >= n - after, size, 0.0)
    y = np.round(y - np.median(y), 4)
    cases.append({"days": days.tolist(), "y": y.tolist(), "probability": float(probability(days, y))})
    print(cases[-1]["probability"])
path = pathlib.Path(__file__).with_name("step.json")
path.write_text(json.dumps(cases, indent=1) + "\n")
