"""Ratio studies, and intervals and tests of calibration: ratio.csv and ratio.json.

Sales: the sample of assesspy, estimate and sale price only, estimates rounded to two decimals.
Coefficient of dispersion, price-related differential and bias with their intervals: assesspy.
Worked tables of the Standard on Ratio Studies (IAAO, 2013): `iaao_*.csv`, the printed figures as
`STANDARD` has them. Median intervals, binomial intervals and tests of uniformity: scipy.
"""

import assesspy
import numpy as np
import pandas as pd
from scipy import stats

from reference import HERE, demand, settle_json, settle_text, wants_check

LEVEL = 0.95
RESAMPLES = 1000
SEEDS = range(10)
# Printed in the Standard, as the tests of assesspy 2.0.2 quote it: the figure and its decimals.
STANDARD = {
    "iaao_1_1": {"cod": (29.8, 1), "prd": (0.98, 2), "prb": (0.232, 3)},
    "iaao_1_4": {"cod": (14.5, 1), "prd": (0.98, 2), "prb": (0.135, 3)},
    "iaao_d_2": {"cod": (7.8, 1), "prd": (1.056, 3), "prb": (-0.011, 3)},
}
COVERAGE = [(0, 4), (5, 5), (1, 1), (25, 41), (89, 112), (8034, 10000)]
BINS = 10


def sample():
    """The 979 sales, estimate and sale price."""
    sales = assesspy.ccao_sample()[["estimate", "sale_price"]]
    rounded = sales.round(2)
    for figure in (assesspy.cod, assesspy.prd, assesspy.prb):
        exact, ours = figure(*pairs(sales)), figure(*pairs(rounded))
        demand(abs(ours / exact - 1) < 1e-7, f"{figure.__name__} does not feel the rounding: {exact} {ours}")
    demand(len(sales) == 979, "979 sales")
    return rounded


def pairs(sales):
    return sales["estimate"], sales["sale_price"]


def as_csv(sales):
    """Comma-separated text, as short as the numbers allow."""
    rows = (f"{estimate:.2f}".rstrip("0").rstrip(".") + f",{price:.0f}" for estimate, price in sales.to_numpy())
    return "\n".join([",".join(sales.columns), *rows]) + "\n"


def median_interval(ratios):
    """The median with the interval of the sign test."""
    interval = stats.quantile_test(ratios, q=np.median(ratios), p=0.5).confidence_interval(LEVEL)
    return {"median": float(np.median(ratios)), "low": float(interval.low), "high": float(interval.high)}


def study(sales):
    """The figures of one ratio study."""
    estimate, price = pairs(sales)
    low, high = assesspy.prb_ci(estimate, price, alpha=1 - LEVEL)
    return {
        "sales": len(sales),
        "median": median_interval(estimate / price),
        "mean": float((estimate / price).mean()),
        "weighted_mean": float(estimate.sum() / price.sum()),
        "cod": assesspy.cod(estimate, price),
        "prd": assesspy.prd(estimate, price),
        "prb": {"slope": assesspy.prb(estimate, price), "low": low, "high": high},
        "median_absolute_percentage_error": float((100 * (estimate / price - 1).abs()).median()),
    }


def bootstrap(figure, sales):
    """Ends of percentile intervals over several seeds: their mean and standard deviation."""
    ends = []
    for seed in SEEDS:
        np.random.seed(seed)
        ends.append(figure(*pairs(sales), nboot=RESAMPLES, alpha=1 - LEVEL))
    low, high = np.array(ends).T
    described = {"mean": lambda x: x.mean(), "sd": lambda x: x.std(ddof=1)}
    return {end: {name: float(f(x)) for name, f in described.items()} for end, x in (("low", low), ("high", high))}


def standard_tables():
    """The tables of the Standard: as printed, and to all digits."""
    out = {}
    for name, printed in STANDARD.items():
        found = study(pd.read_csv(HERE / f"{name}.csv"))
        flat = {**found, "prb": found["prb"]["slope"]}
        for figure, (value, decimals) in printed.items():
            demand(round(flat[figure], decimals) == value, f"{name}: {figure} {value}, found {flat[figure]}")
        out[name] = {
            "printed": {figure: {"value": v, "decimals": d} for figure, (v, d) in printed.items()},
            "computed": found,
        }
    return out


def coverage():
    """Shares with their Clopper-Pearson intervals."""
    out = []
    for held, of in COVERAGE:
        interval = stats.binomtest(held, of).proportion_ci(LEVEL, method="exact")
        out.append({"held": held, "of": of, "low": float(interval.low), "high": float(interval.high)})
    return out


def uniformity():
    """Tests of uniformity on a uniform sample and on two that are not."""
    random = np.random.default_rng(11)
    samples = {
        "uniform": random.random(200),
        "heaped": random.beta(3.0, 3.0, 120),
        "few": random.random(12),
    }
    out = {}
    for name, values in samples.items():
        values = values.round(6)
        counts = np.histogram(values, bins=BINS, range=(0, 1))[0]
        chi = stats.chisquare(counts)
        ks = stats.kstest(values, "uniform", method="exact")
        out[name] = {
            "values": [float(v) for v in values],
            "counts": [int(c) for c in counts],
            "chi_square": {"statistic": float(chi.statistic), "p": float(chi.pvalue)},
            "kolmogorov": {"statistic": float(ks.statistic), "p": float(ks.pvalue)},
        }
    return out


def main():
    check = wants_check(__doc__)
    sales = sample()
    settle_text("ratio.csv", as_csv(sales), check)
    settle_json(
        "ratio.json",
        {
            "level": LEVEL,
            "sample": study(sales),
            "bootstrap": {
                "resamples": RESAMPLES,
                "seeds": len(SEEDS),
                "cod": bootstrap(assesspy.cod_ci, sales),
                "prd": bootstrap(assesspy.prd_ci, sales),
            },
            "standard": standard_tables(),
            "coverage": coverage(),
            "bins": BINS,
            "uniformity": uniformity(),
        },
        check,
    )


if __name__ == "__main__":
    main()
