"""Posterior of small regressions under rules of thumb, by a long Gibbs run in numpy: posterior.json.

The model is that of src/fit/posterior.rs: log price is normal, Student-t or contaminated about x'b, the
three equally likely; log of the scale, in scales of normal errors with the same middle 80 %, is normal; a
rule of thumb is a mixture of four normals, cut off where a sign is held; the level (the first column) has a
flat prior within REACH of the median price (without an end, all prices may be mistyped and the level
anywhere). Many chains run side by side. A sweep draws, in each,

* scale and kind of errors given the coefficients, what is latent integrated out: the scale by the
  Metropolis algorithm, the kind from its three probabilities;
* what is latent: the gamma mixing of Student-t errors, which prices are mistyped, and which of its four
  normals each rule is;
* the coefficients, each from its normal cut off at its sign with the level integrated out, there and back
  again, then the level. The density of a mistyped price depends a little on the coefficients; therefore
  the whole move is accepted by its ratio (Metropolis and Hastings).

Monte Carlo errors are those of means over groups of chains; `--check` runs shorter chains from another
seed and demands agreement within five standard errors of the difference.

`moments`: mass, mean and variance of a normal times one rule, by truncated normals of scipy.

usage: make_posterior.py [--check]
"""

import json

import numpy as np
from reference import HERE, demand, settle_json, wants_check
from scipy.special import log_ndtr, ndtri_exp
from scipy.stats import norm, t, truncnorm

SEED = 1938
SCALES = np.array([0.693, 1.010, 1.459, 2.737])
NU = 2.0
UNIT = norm.ppf(0.9) / t(NU).ppf(0.9)
USUAL, SPREAD_SD = 0.15, np.sqrt(0.5)
MISTYPED, ANYTHING, NOT_TYPING = 0.1, 1.0 / 3.0, 0.8
REACH = 3.0
LONG = {"chains": 200, "sweeps": 1200, "burn": 200}
SHORT = {"chains": 100, "sweeps": 350, "burn": 150}
GROUPS = 20
TAILS = [0.1, 0.5, 0.9]

# Comps, columns with the level, true errors, their scale, how many scales the first rule is off.
PROBLEMS = [
    (8, 3, "normal", 0.10, 0),
    (8, 3, "student", 0.10, 8),
    (8, 6, "mistyped", 0.12, 0),
    (8, 9, "normal", 0.30, 0),
    (15, 3, "mistyped", 0.15, 0),
    (15, 5, "normal", 0.05, 8),
    (15, 8, "student", 0.10, 0),
    (15, 12, "normal", 0.20, 8),
    (40, 4, "student", 0.15, 0),
    (40, 6, "mistyped", 0.08, 8),
    (40, 9, "normal", 0.15, 0),
    (40, 12, "mistyped", 0.25, 0),
]


def problem(at):
    """One seeded problem: comps, rules and a unit to predict."""
    n, p, errors, scale, off = PROBLEMS[at]
    random = np.random.default_rng([SEED, at])
    x = np.ones((n, p))
    for j in range(1, p):
        while True:
            x[:, j] = random.binomial(1, 0.4, n) if j % 3 else np.round(random.normal(0.0, 1.0, n), 2)
            if x[:, j].std() > 0:
                break
    signs = [0] + [(0, -1, 1)[j % 3] for j in range(1, p)]
    rules, beta = [], [4.5]
    for j in range(1, p):
        centre, sd = round(signs[j] * random.uniform(0.05, 0.25), 3), round(random.uniform(0.03, 0.08), 3)
        true = centre + sd * random.normal()
        if off and j == 1:
            true = centre + signs[j] * off * sd
        if true * signs[j] < 0:
            true = 0.0
        rules.append({"column": j, "mean": centre, "sd": sd, "sign": signs[j]})
        beta.append(true)
    noise = random.standard_t(2, n) * UNIT if errors == "student" else random.normal(size=n)
    y = x @ np.array(beta) + scale * noise
    if errors == "mistyped":
        wrong = random.choice(n, max(1, n // 10), replace=False)
        y[wrong] += random.choice([-1, 1], len(wrong)) * np.log(5)
    subject = [1.0] + [float(j % 3 != 0) if j % 2 else 0.0 for j in range(1, p)]
    return {"errors": errors, "off": off, "x": x.tolist(), "y": np.round(y, 6).tolist(), "rules": rules,
            "subject": subject}


def log_wrong(r):
    """Log density of mistyped prices at residuals, but for a constant."""
    return np.log(np.maximum(-np.expm1(-((r / NOT_TYPING) ** 2) / 2), 1e-300))


def log_likelihoods(r, u):
    """Log density of residuals (chains x comps) by kind, at log scales u: Student-t, normal, mistyped."""
    sigma = np.exp(u)[:, None]
    student = t.logpdf(0.0, NU) - np.log(sigma * UNIT) - (NU + 1) / 2 * np.log1p((r / sigma / UNIT) ** 2 / NU)
    normal = -((r / sigma) ** 2) / 2 - np.log(sigma) - np.log(2 * np.pi) / 2
    sound = (1 - MISTYPED) * np.exp(normal)
    wrong = MISTYPED * ANYTHING * -np.expm1(-((r / NOT_TYPING) ** 2) / 2)
    each = np.stack([student.sum(1), normal.sum(1), np.log(sound + wrong).sum(1)])
    return each, wrong / (sound + wrong)


def prior(u):
    """Log density of log scales, but for a constant."""
    return -(((u - np.log(USUAL)) / SPREAD_SD) ** 2) / 2


def draw_scale(random, r, u, kind):
    """Scale and kind given the residuals."""
    chains = np.arange(len(u))
    each, wrong = log_likelihoods(r, u)
    for size in (0.12, 0.4):
        other = u + size * random.normal(size=len(u))
        theirs, unsound = log_likelihoods(r, other)
        gain = theirs[kind, chains] + prior(other) - each[kind, chains] - prior(u)
        takes = np.log(random.random(len(u))) < gain
        u = np.where(takes, other, u)
        each = np.where(takes, theirs, each)
        wrong = np.where(takes[:, None], unsound, wrong)
        # The kind, by the largest of its log probabilities with Gumbel noise.
        kind = (each + random.gumbel(size=each.shape)).argmax(0)
    return u, kind, wrong


def draw_coefficients(random, x, y, a, rules, beta):
    """Coefficients given row precisions a (chains x n): there and back again, then the level."""
    total = a.sum(1)
    centred = x[None] - (a @ x / total[:, None])[:, None, :]
    level = (a @ y) / total
    gram = np.einsum("cn,cnj,cnk->cjk", a, centred, centred, optimize=True)
    right = np.einsum("cn,cnj,cn->cj", a, centred, y[None] - level[:, None], optimize=True)
    beta, sds = beta.copy(), np.array([rule["sd"] for rule in rules])
    z = (beta[:, 1:, None] - np.array([rule["mean"] for rule in rules])[:, None]) / (sds[:, None] * SCALES)
    which = (-(z**2) / 2 - np.log(SCALES) + random.gumbel(size=z.shape)).argmax(2)
    precision = (sds * SCALES[which]) ** -2.0
    order = list(range(1, x.shape[1]))
    for j in order + order[::-1]:
        rule, side = rules[j - 1], rules[j - 1]["sign"]
        known = gram[:, j, j] + precision[:, j - 1]
        rest = right[:, j] - np.einsum("ck,ck->c", gram[:, j], beta) + gram[:, j, j] * beta[:, j]
        mean, sd = (rest + precision[:, j - 1] * rule["mean"]) / known, known**-0.5
        if side == 0:
            beta[:, j] = mean + sd * random.normal(size=len(mean))
        else:
            share = np.log(random.random(len(mean))) + log_ndtr(side * mean / sd)
            beta[:, j] = side * np.maximum(side * mean - sd * ndtri_exp(share), 0.0)
    beta[:, 0] = 0.0
    beta[:, 0] = (a * (y - beta @ x.T)).sum(1) / total + total**-0.5 * random.normal(size=len(total))
    return beta


def gibbs(of, seed, chains, sweeps, burn):
    """Draws: coefficients, log scale, kind, a sale of the unit, and how likely each price is mistyped."""
    random = np.random.default_rng(seed)
    x, y, rules, subject = (np.array(of["x"]), np.array(of["y"]), of["rules"], np.array(of["subject"]))
    n, p = x.shape
    beta = np.zeros((chains, p))
    for rule in rules:
        # Not further off: where all prices look mistyped a chain would stay for long.
        start = rule["mean"] + rule["sd"] * random.normal(size=chains)
        side = rule["sign"]
        beta[:, rule["column"]] = start if side == 0 else side * np.abs(start)
    beta[:, 0] = np.median(y[None] - beta @ x.T, axis=1)
    u, kind = np.log(USUAL) + 0.5 * random.normal(size=chains), random.integers(0, 3, chains)
    kept = {"beta": [], "u": [], "kind": [], "sale": []}
    mistyped = np.zeros((chains, n))
    for sweep in range(burn + sweeps):
        r = y[None] - beta @ x.T
        u, kind, wrong = draw_scale(random, r, u, kind)
        sigma = np.exp(u) * np.where(kind == 0, UNIT, 1.0)
        mixing = random.gamma((NU + 1) / 2, 1.0, r.shape) / ((NU + (r / sigma[:, None]) ** 2) / 2)
        off = (random.random(r.shape) < wrong) & (kind == 2)[:, None]
        a = np.where((kind == 0)[:, None], mixing, 1.0) / sigma[:, None] ** 2
        # A mistyped price is next to silent; so small a precision keeps the level proper.
        quiet = 1e-9 * a
        a = np.where(off, quiet, a)
        moved = draw_coefficients(random, x, y, a, rules, beta)
        after = y[None] - moved @ x.T
        gain = np.where(off, log_wrong(after) - log_wrong(r) + quiet * (after**2 - r**2) / 2, 0.0).sum(1)
        takes = (np.log(random.random(chains)) < gain) & (np.abs(moved[:, 0] - np.median(y)) < REACH)
        beta = np.where(takes[:, None], moved, beta)
        if sweep < burn:
            continue
        error = np.where(kind == 0, random.standard_t(NU, chains), random.normal(size=chains))
        for key, value in (("beta", beta), ("u", u), ("kind", kind), ("sale", beta @ subject + sigma * error)):
            kept[key].append(value.copy())
        mistyped += wrong * (kind == 2)[:, None]
    return {key: np.array(value) for key, value in kept.items()} | {"mistyped": mistyped / sweeps}


def summary(draws):
    """Means, standard deviations and points of the draws; arrays of numbers."""
    beta = draws["beta"].reshape(-1, draws["beta"].shape[2])
    return {
        "mean": beta.mean(0),
        "sd": beta.std(0),
        "log_spread": np.array([draws["u"].mean(), draws["u"].std()]),
        "kinds": np.array([(draws["kind"] == k).mean() for k in range(3)]),
        "sale": np.quantile(draws["sale"], TAILS),
        "mistyped": draws["mistyped"].mean(0),
    }


def run(of, seed, length):
    """A summary and the standard errors of all its numbers, by groups of chains."""
    draws = gibbs(of, seed, **length)
    groups = [
        summary({key: (value[which] if key == "mistyped" else value[:, which]) for key, value in draws.items()})
        for which in np.array_split(np.arange(length["chains"]), GROUPS)
    ]
    whole = summary(draws)
    errors = {key: np.std([g[key] for g in groups], axis=0, ddof=1) / np.sqrt(GROUPS) for key in whole}
    return whole, errors


def one_moments(mean, sd, sign, at, variance):
    """Mass, mean and variance of N(at, variance) times a rule, by truncnorm."""
    squares = (sd * SCALES) ** 2
    joint = variance * squares / (variance + squares)
    centre = (at * squares + mean * variance) / (variance + squares)
    low, high = {0: (-np.inf, np.inf), 1: (0.0, np.inf), -1: (-np.inf, 0.0)}[sign]
    root = np.sqrt(joint)
    cut = truncnorm((low - centre) / root, (high - centre) / root, loc=centre, scale=root)
    inside = norm.cdf(high, centre, root) - norm.cdf(low, centre, root)
    possible = np.mean(norm.cdf(high, mean, sd * SCALES) - norm.cdf(low, mean, sd * SCALES))
    mass = norm.pdf(at, mean, np.sqrt(variance + squares)) * inside / len(SCALES) / possible
    weights = mass / mass.sum()
    first = weights @ cut.mean()
    return {"rule": {"mean": mean, "sd": sd, "sign": sign}, "cavity": {"mean": at, "variance": variance},
            "log_mass": float(np.log(mass.sum())), "mean": float(first),
            "variance": float(weights @ (cut.var() + (cut.mean() - first) ** 2))}


def moments():
    """Rules that agree with the normal, contradict it, and are held to the other side of it."""
    rules = [(0.1, 0.05, 0), (0.1, 0.05, 1), (-0.1, 0.05, -1), (0.02, 0.2, 1), (-0.3, 0.08, 0)]
    cavities = [(0.0, 0.01), (0.5, 0.0025), (-0.15, 0.04), (0.12, 0.0004)]
    return [one_moments(*rule, *cavity) for rule in rules for cavity in cavities]


def listed(values):
    """Arrays as lists of numbers with six places."""
    return {key: np.round(value, 6).tolist() for key, value in values.items()}


def main():
    check = wants_check(__doc__)
    given = [problem(at) for at in range(len(PROBLEMS))]
    committed = json.loads((HERE / "posterior.json").read_text(encoding="utf-8")) if check else None
    results = []
    for at, of in enumerate(given):
        whole, errors = run(of, [SEED, at, int(check)], SHORT if check else LONG)
        if not check:
            results.append({**of, "gibbs": listed(whole), "standard_errors": listed(errors)})
            continue
        theirs = committed["problems"][at]
        for key, value in whole.items():
            apart = np.abs(value - np.array(theirs["gibbs"][key]))
            doubt = np.hypot(errors[key], np.array(theirs["standard_errors"][key]))
            demand((apart <= 5 * doubt + 2e-3).all(), f"{key} of problem {at}: {apart} with errors {doubt}")
        results.append({**of, "gibbs": theirs["gibbs"], "standard_errors": theirs["standard_errors"]})
    settings = {"usual_spread": USUAL, "spread_worth": 1.0, "nu": 2 * NU}
    settle_json("posterior.json", {"settings": settings, "problems": results, "moments": moments()}, check)


if __name__ == "__main__":
    main()
