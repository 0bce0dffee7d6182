"""Checks handbook_t.csv and handbook_percentile.json against scipy and numpy.

Source: NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.7.2 (upper critical values
of Student's t distribution) and section 7.2.6.2 (percentiles, resistivity example).
"""

import csv
import json

import numpy as np
from scipy import stats

from reference import HERE, demand, wants_check

# Half of the last printed digit; the column for 0.001 is printed with errors in that digit, up
# to 0.004 for one degree of freedom.
ROUNDING = 0.0005 + 1e-9
COARSE = {"0.001": 0.005}


def check_critical_values():
    with open(HERE / "handbook_t.csv", newline="", encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    demand(len(rows) == 15, "15 rows of critical values")
    for row in rows:
        nu = float(row.pop("nu"))
        for alpha, printed in row.items():
            exact = stats.t.isf(float(alpha), nu)
            close = abs(float(printed) - exact) <= COARSE.get(alpha, ROUNDING)
            demand(close, f"t({alpha}, {nu}): {printed} printed, {exact} computed")
    print("handbook_t.csv: holds")


def check_percentile():
    """The handbook's percentile lies at rank p(N + 1), numpy's method "weibull"."""
    example = json.loads((HERE / "handbook_percentile.json").read_text(encoding="utf-8"))
    exact = np.quantile(example["measurements"], example["p"], method="weibull")
    demand(abs(exact - example["percentile"]) <= 0.00005, f"percentile: {exact} computed")
    print("handbook_percentile.json: holds")


if __name__ == "__main__":
    wants_check(__doc__)
    check_critical_values()
    check_percentile()
