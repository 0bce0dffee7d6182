"""What a number explains of log price within groups: undeclared.json.

Ordinary least squares of log price on a level for each group and one number, as it is and as its
binary logarithm: 1 - (mean square of the residuals with it) / (the same without it), which is the
adjusted R squared where there is one group. statsmodels, on the houses of benches/accuracy.
"""

import csv
import math

import numpy as np
import statsmodels.api as sm

from reference import HERE, demand, settle_json, wants_check

HOUSES = HERE.parent.parent / "benches" / "accuracy" / "houses.csv"
CASES = [
    ("lotsize", None),
    ("lotsize", "stories"),
    ("bedrooms", None),
    ("bedrooms", "driveway"),
    ("garage", "stories"),
    ("aircon", None),
    ("gasheat", None),
]


def fits(y, steps, groups):
    """Share and slope of one number."""
    levels = np.column_stack([groups == group for group in np.unique(groups)]).astype(float)
    without = sm.OLS(y, levels).fit()
    with_it = sm.OLS(y, np.column_stack([levels, steps])).fit()
    share = 1 - with_it.mse_resid / without.mse_resid
    if levels.shape[1] == 1:
        demand(math.isclose(share, with_it.rsquared_adj, rel_tol=1e-9), "the adjusted R squared")
    return {
        "share": float(share),
        "slope": float(with_it.params[-1]),
        "p_value": float(with_it.pvalues[-1]),
    }


def case(rows, column, group):
    """Both scales of a column."""
    y = np.log([float(row["price"]) for row in rows])
    values = np.array([float(row[column]) for row in rows])
    groups = np.array([row[group] if group else "" for row in rows])
    doubling = fits(y, np.log2(values), groups) if values.min() > 0 else None
    return {"column": column, "group": group, "unit": fits(y, values, groups), "doubling": doubling}


def main():
    check = wants_check(__doc__)
    with HOUSES.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    demand(len(rows) == 546, "546 houses")
    settle_json("undeclared.json", {"houses": [case(rows, *one) for one in CASES]}, check)


if __name__ == "__main__":
    main()
