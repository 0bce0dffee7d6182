"""Robust and least-squares fits of the stack loss data, and Student t probabilities: robust.json.

Data: stack loss of a plant oxidising ammonia, 21 days (K. A. Brownlee, Statistical Theory and
Methodology in Science and Engineering, 1965, section 13.12), as carried by statsmodels. Fits:
statsmodels RLM, TLinearModel and OLS; probabilities: scipy.stats.t.
"""

import contextlib
import io

import numpy as np
import statsmodels.api as sm
from scipy import optimize, stats
from statsmodels.miscmodels.tmodel import TLinearModel

from reference import demand, settle_json, wants_check

NU = 4.0
LEVEL = 0.8


def listed(values):
    return [float(value) for value in values]


def m_estimate(y, x, norm):
    """M-estimate with the scale from the median absolute residual (about 0, over 0.6745)."""
    model = sm.RLM(y, x, M=norm)
    fit = model.fit(scale_est="mad", conv="coefs", tol=1e-12, maxiter=1000)
    weights = norm.weights((y - x @ fit.params) / fit.scale)
    again = sm.WLS(y, x, weights=weights).fit().params
    demand(np.allclose(again, fit.params, rtol=1e-9), f"{type(norm).__name__} is at a fixed point")
    return {"params": listed(fit.params), "scale": float(fit.scale), "weights": listed(weights)}


def log_likelihood(parameters, y, x):
    """Log likelihood at (coefficients, log scale), Student-t errors with `NU` degrees of freedom."""
    scale = np.exp(parameters[-1])
    return float(stats.t.logpdf((y - x @ parameters[:-1]) / scale, NU).sum() - len(y) * parameters[-1])


def score(parameters, y, x):
    """Gradient of `log_likelihood`."""
    scale = np.exp(parameters[-1])
    z = (y - x @ parameters[:-1]) / scale
    psi = (NU + 1) * z / (NU + z * z)
    return np.append(x.T @ psi / scale, psi @ z - len(y))


def student_t(y, x):
    """Maximum likelihood with Student-t errors: by the score equations, and by statsmodels."""
    ols = sm.OLS(y, x).fit()
    start = np.append(ols.params, np.log(ols.scale**0.5))
    rough = optimize.minimize(
        lambda p: -log_likelihood(p, y, x), start, jac=lambda p: -score(p, y, x), method="BFGS"
    )
    exact = optimize.root(score, rough.x, args=(y, x), method="hybr", options={"xtol": 1e-14})
    parameters = exact.x
    demand(np.abs(score(parameters, y, x)).max() < 1e-8, "the score vanishes at the estimate")

    # The model prints what it does.
    with contextlib.redirect_stdout(io.StringIO()):
        model = TLinearModel(y, x, fix_df=NU)
        packaged = model.fit(
            start_params=np.append(ols.params, ols.scale**0.5), method="nm", maxiter=50_000,
            maxfun=50_000, ftol=1e-14, xtol=1e-12, disp=0,
        )
    found = np.append(parameters[:-1], np.exp(parameters[-1]))
    demand(np.allclose(packaged.params, found, rtol=1e-5), f"statsmodels agrees: {packaged.params} {found}")
    loglik = log_likelihood(parameters, y, x)
    demand(abs(packaged.llf - loglik) < 1e-8, "the likelihoods agree")
    z = (y - x @ parameters[:-1]) / np.exp(parameters[-1])
    return {
        "nu": NU,
        "params": listed(parameters[:-1]),
        "scale": float(np.exp(parameters[-1])),
        "log_likelihood": loglik,
        "weights": listed((NU + 1) / (NU + z * z)),
    }


def least_squares(y, x):
    """Coefficients with their errors, and the interval for one new observation at every row."""
    fit = sm.OLS(y, x).fit()
    at_rows = fit.get_prediction(x).summary_frame(alpha=1 - LEVEL)
    return {
        "params": listed(fit.params),
        "standard_errors": listed(fit.bse),
        "residual_sd": float(fit.mse_resid**0.5),
        "r_squared": float(fit.rsquared),
        "adjusted_r_squared": float(fit.rsquared_adj),
        "leverages": listed(fit.get_influence().hat_matrix_diag),
        "prediction": {
            "level": LEVEL,
            "mean": listed(at_rows["mean"]),
            "mean_se": listed(at_rows["mean_se"]),
            "low": listed(at_rows["obs_ci_lower"]),
            "high": listed(at_rows["obs_ci_upper"]),
        },
    }


def t_probabilities():
    """Distribution function on a grid, and quantiles."""
    x = np.arange(-6.0, 6.5, 0.5)
    p = np.array([0.001, 0.01, 0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95, 0.99, 0.999])
    nus = [1.0, 2.5, 4.0, 8.3, 30.0, 1000.0]
    return {
        "x": listed(x),
        "p": listed(p),
        "by_nu": [
            {"nu": nu, "cdf": listed(stats.t.cdf(x, nu)), "quantiles": listed(stats.t.ppf(p, nu))}
            for nu in nus
        ],
    }


def main():
    check = wants_check(__doc__)
    data = sm.datasets.stackloss.load_pandas()
    y = data.endog.to_numpy(float)
    x = sm.add_constant(data.exog.to_numpy(float))
    results = {
        "stackloss": {
            "columns": ["intercept", "air_flow", "water_temperature", "acid_concentration"],
            "y": listed(y),
            "x": [listed(row) for row in x],
            "huber": {"k": 1.345, **m_estimate(y, x, sm.robust.norms.HuberT(t=1.345))},
            "tukey": {"c": 4.685, **m_estimate(y, x, sm.robust.norms.TukeyBiweight(c=4.685))},
            "student_t": student_t(y, x),
            "least_squares": least_squares(y, x),
        },
        "student_t_distribution": t_probabilities(),
    }
    settle_json("robust.json", results, check)


if __name__ == "__main__":
    main()
