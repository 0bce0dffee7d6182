#!/usr/bin/env python3
"""Writes the sales records of the demo: an invented reseller, invented makers, invented sales.

    python3 demo/make_demo.py            writes the CSV files beside this script
    python3 demo/make_demo.py --check    tells whether they are what this script writes
    python3 demo/make_demo.py --truth    prints the effects that lie behind the prices

Python's standard library only. The seed is fixed and every draw comes from `Random.random`, whose
sequence does not change between Python versions, so that the files come out byte for byte the same.

What a buyer paid in all is drawn as

    price = new-like price now * grade * pieces missing * extras * defects * way of selling
            * (1 + drift) ** (months before the last day, negative) * exp(error)

with the factors given in MODELS, GRADES, HOW_SOLD and PARTS_ONLY below. Errors are Student-t with five
degrees of freedom, scaled by SPREAD. An estimate may be held against these factors.
"""

import argparse
import csv
import io
import math
import sys
from datetime import date, timedelta
from pathlib import Path
from random import Random

SEED = 20261120
FIRST_DAY, LAST_DAY = date(2025, 8, 1), date(2026, 11, 20)
DAYS_PER_MONTH = 146097 / 4800

# Factor on the price of a unit in grade A.
GRADES = {"A": 1.0, "B": 0.93, "C": 0.82, "D": 0.62}
# Factor on the price at which the same unit goes when simply marked with a price.
HOW_SOLD = {"fixed": 1.0, "auction": 0.95, "offer": 0.96}
# Factor where a unit does not work; nothing else about it counts then but what is missing.
PARTS_ONLY = 0.28
# Scale of the errors: a sale falls about this far from its mark.
SPREAD = 0.065

# price: paid in all on the last day for grade A, all that shipped with it, no packaging, fixed price.
# drift: change in a month. pieces: factor of each piece where it is missing. packaging, seal: factor of
# having it. extras: factor of each. defects: factor. variants: factor.
# counts: sales until the end of 2025 and after.
MODELS = {
    "Nulva 61K": {
        "price": 189.0,
        "drift": -0.008,
        "pieces": {"battery": 0.92, "charger": 0.91, "strap": 0.98, "case": 0.96, "wind screen": 0.97},
        "usable": ["battery", "charger"],
        "packaging": 1.04,
        "seal": 1.12,
        "extras": {"spare battery": 1.07, "memory card": 1.02},
        "defects": {"worn buttons": 0.94, "loose jack": 0.85, "cracked display": 0.78},
        "variants": {"": 1.0},
        "counts": (27, 58),
    },
    "Tumrik QN 948": {
        "price": 94.0,
        "drift": -0.013,
        "pieces": {"cable": 0.97, "sleeve": 0.94},
        "usable": ["cable"],
        "packaging": 1.05,
        "seal": 1.15,
        "extras": {"second sleeve": 1.04, "wall plug": 1.03},
        "defects": {"dead pixel line": 0.72, "weak battery": 0.84},
        "variants": {"16 GB": 1.0, "32 GB": 1.1},
        "counts": (24, 36),
    },
    "Bolv 83V": {
        "price": 46.0,
        "drift": -0.002,
        "pieces": {"aerial": 0.84, "battery door": 0.93, "pouch": 0.95, "earphones": 0.97},
        "usable": ["aerial", "battery door"],
        "packaging": 1.06,
        "seal": 1.1,
        "extras": {"carrying cord": 1.03, "mains adapter": 1.08},
        "defects": {"scratchy dial": 0.88, "bent tuning needle": 0.9},
        "variants": {"red": 1.0, "grey": 1.0, "": 1.0},
        "counts": (20, 27),
    },
}

VENUES = ["online", "shop counter", "market stall", "club board"]
POSTAGE = [4.9, 5.9, 6.5]
NOTES = [
    "paid in cash", "tested for an hour", "came from a school", "second owner", "sold within a day",
    "sat for three weeks", "buyer asked for more pictures", "smells of smoke", "engraved on the back",
]
# Characters beyond ASCII, for the file that is not in UTF-8.
ACCENTED_NOTES = [
    "buyer runs a café", "5 € off after a call", "went to a fête committee", "for a naïve painter's studio",
    "rounded down by 1 €",
]

COLUMNS = [
    "sold_on", "model", "variant", "completeness", "grade", "missing", "extras", "defects", "works", "price",
    "shipping", "currency", "how_sold", "venue", "lot_size", "note",
]
# The second file's own names for them, in its own order.
SHEET_COLUMNS = {
    "Date sold": "sold_on", "Item": "model", "Type": "variant", "Condition": "grade", "Came with": "completeness",
    "Not there": "missing", "Added": "extras", "Trouble": "defects", "Runs": "works", "Got": "price",
    "Postage": "shipping", "How": "how_sold", "Place": "venue", "Pieces": "lot_size", "Remarks": "note",
}


class Draws:
    """Random draws, all from `Random.random`."""

    def __init__(self, seed):
        self.source = Random(seed)

    def chance(self, share):
        return self.source.random() < share

    def whole(self, below):
        return int(self.source.random() * below)

    def one_of(self, items):
        items = list(items)
        return items[self.whole(len(items))]

    def weighted(self, weights):
        at = self.source.random() * sum(weights.values())
        for item, weight in weights.items():
            at -= weight
            if at < 0:
                return item
        return item

    def normal(self):
        radius = math.sqrt(-2.0 * math.log(1.0 - self.source.random()))
        return radius * math.cos(2.0 * math.pi * self.source.random())

    def student(self, degrees):
        return self.normal() / math.sqrt(sum(self.normal() ** 2 for _ in range(degrees)) / degrees)


def describe(draws, model):
    """A unit: grade, completeness, and what is missing, added or wrong."""
    facts = MODELS[model]
    level = draws.weighted({"bare": 14, "usable": 32, "full": 30, "boxed": 21, "sealed": 3})
    pieces = list(facts["pieces"])
    present = {"bare": [], "usable": facts["usable"]}.get(level, pieces)
    unit = {
        "variant": draws.one_of(facts["variants"]),
        "completeness": level,
        "grade": "A" if level == "sealed" else draws.weighted({"A": 22, "B": 42, "C": 27, "D": 9}),
        "missing": [],
        "extras": {},
        "defects": [],
        "works": True,
    }
    if present and level != "sealed" and draws.chance(0.5):
        unit["missing"] = [draws.one_of(present)]
    if level not in ("bare", "sealed"):
        for extra in facts["extras"]:
            if draws.chance(0.28):
                unit["extras"][extra] = 2 if draws.chance(0.15) else 1
    if level != "sealed" and draws.chance(0.13):
        unit["defects"] = [draws.one_of(facts["defects"])]
    if unit["grade"] in "CD" and draws.chance(0.1):
        unit["works"] = False
    return unit


def worth(model, unit, day, how):
    """What a buyer pays in all for a unit, before chance."""
    facts = MODELS[model]
    present = {"bare": [], "usable": facts["usable"]}.get(unit["completeness"], list(facts["pieces"]))
    price = facts["price"] * facts["variants"][unit["variant"]] * HOW_SOLD[how]
    for piece, factor in facts["pieces"].items():
        if piece not in present or piece in unit["missing"]:
            price *= factor
    if unit["completeness"] in ("boxed", "sealed"):
        price *= facts["packaging"]
    if unit["completeness"] == "sealed":
        price *= facts["seal"]
    if unit["works"]:
        price *= GRADES[unit["grade"]]
        for defect in unit["defects"]:
            price *= facts["defects"][defect]
    else:
        price *= PARTS_ONLY
    for extra, count in unit["extras"].items():
        price *= facts["extras"][extra] ** count
    months = (day - LAST_DAY).days / DAYS_PER_MONTH
    return price * (1.0 + facts["drift"]) ** months


def asked(total, how):
    """An amount as people ask or pay it."""
    halves = how == "auction" or total < 60
    return round(total * 2) / 2 if halves else float(round(total))


def sale(draws, model, day):
    """One row: a unit, what it brought and how."""
    unit = describe(draws, model)
    how = draws.weighted({"fixed": 50, "auction": 30, "offer": 20})
    venue = draws.weighted(dict(zip(VENUES, (55, 20, 15, 10))))
    total = worth(model, unit, day, how) * math.exp(SPREAD * draws.student(5))
    lot = 2 + draws.whole(2) if draws.chance(0.035) else 1
    if lot > 1:
        # A lot is described by what its units have in common, and goes for less than its parts.
        unit["extras"] = {}
        total *= lot * 0.85
    shipping = draws.one_of(POSTAGE) if venue == "online" and draws.chance(0.7) else 0.0
    return {
        "sold_on": day,
        "model": model,
        "variant": unit["variant"],
        "completeness": unit["completeness"],
        "grade": unit["grade"],
        "missing": "; ".join(unit["missing"]),
        "extras": "; ".join(name if count == 1 else f"{name} x{count}" for name, count in unit["extras"].items()),
        "defects": "; ".join(unit["defects"]),
        "works": "yes" if unit["works"] else "no",
        "price": max(asked(total - shipping, how), 3.0),
        "shipping": shipping,
        "currency": "EUR",
        "how_sold": how,
        "venue": venue,
        "lot_size": str(lot),
        "note": draws.one_of(NOTES) if draws.chance(0.2) else "",
    }


def sales(draws, first, last, which):
    """The sales of a span of days in order of date."""
    rows = []
    for model, facts in MODELS.items():
        for _ in range(facts["counts"][which]):
            day = first + timedelta(days=draws.whole((last - first).days + 1))
            rows.append(sale(draws, model, day))
    return sorted(rows, key=lambda row: row["sold_on"])


def cells_of(row):
    """Canonical cells: ISO dates and decimal points."""
    return {**row, "sold_on": row["sold_on"].isoformat(), "price": f"{row['price']:.2f}",
            "shipping": f"{row['shipping']:.2f}"}


def first_file(rows):
    """Canonical names, commas, ISO dates, UTF-8. Some cells were never filled in."""
    out = io.StringIO()
    table = csv.DictWriter(out, COLUMNS, lineterminator="\n")
    table.writeheader()
    for at, row in enumerate(rows):
        cells = cells_of(row)
        if at % 9 == 4:
            cells["how_sold"] = ""
        if row["works"] == "yes" and at % 5:
            cells["works"] = ""
        table.writerow(cells)
    return out.getvalue().encode("utf-8")


def second_file(rows):
    """The later sheet: own names and order, semicolons, decimal commas, day-first dates, blank lines, a
    header that comes again, Windows-1252 and its line ends."""

    def comma(amount):
        return f"{amount:.2f}".replace(".", ",")

    out = io.StringIO()
    table = csv.writer(out, delimiter=";", lineterminator="\r\n")
    table.writerow(SHEET_COLUMNS)
    for at, row in enumerate(rows):
        if at and at % 30 == 0:
            out.write("\r\n")
        if at == 60:
            table.writerow(SHEET_COLUMNS)
        if at == 90:
            table.writerow([""] * len(SHEET_COLUMNS))
        cells = dict(row)
        cells["sold_on"] = row["sold_on"].strftime("%d.%m.%Y")
        cells["price"] = comma(row["price"]) + (" €" if at % 13 == 5 else "")
        cells["shipping"] = comma(row["shipping"]) if row["shipping"] else ""
        cells["how_sold"] = {"offer": "best offer"}.get(row["how_sold"], row["how_sold"])
        if at % 17 == 3:
            cells["model"] = row["model"].upper()
        if at % 12 == 6:
            cells["note"] = ACCENTED_NOTES[at // 12 % len(ACCENTED_NOTES)]
        table.writerow([cells[ours] for ours in SHEET_COLUMNS.values()])
    return out.getvalue().encode("cp1252")


def typos_file():
    """A few rows typed in a hurry: two are right, five cannot be read, and one price has a digit too many,
    which only the other sales can tell."""
    right = {
        "model": "Nulva 61K", "completeness": "usable", "grade": "B", "currency": "EUR", "how_sold": "fixed",
        "venue": "online", "lot_size": "1", "shipping": "5.90",
    }
    typed = [
        {"sold_on": "28.09.2026", "price": "151.00", "extras": "spare battery", "note": "nothing wrong here"},
        {"sold_on": "30.09.2026", "price": "12o.00", "note": "a letter for a digit"},
        {"sold_on": "31.02.2026", "price": "148.00", "note": "no such day"},
        {"sold_on": "14.10.2026", "price": "145.00", "grade": "E", "note": "no such grade"},
        {"sold_on": "15.10.2026", "price": "-45.00", "model": "Bolv 83V", "note": "below nothing"},
        {"sold_on": "17.10.2026", "price": "", "model": "Tumrik QN 948", "note": "price forgotten"},
        {"sold_on": "22.10.2026", "price": "1450.00", "note": "should be 145.00"},
        {"sold_on": "25.10.2026", "price": "38.00", "model": "Bolv 83V", "grade": "C", "completeness": "full"},
    ]
    out = io.StringIO()
    table = csv.DictWriter(out, COLUMNS, restval="", lineterminator="\n")
    table.writeheader()
    for row in typed:
        table.writerow({**right, **row})
    return out.getvalue().encode("utf-8")


def files():
    """Name to bytes."""
    draws = Draws(SEED)
    new_year = date(2026, 1, 1)
    return {
        "sales-2025.csv": first_file(sales(draws, FIRST_DAY, new_year - timedelta(days=1), 0)),
        "sales-2026.csv": second_file(sales(draws, new_year, LAST_DAY, 1)),
        "typos.csv": typos_file(),
    }


def main_unit():
    """The unit of the demo: what a buyer pays in the middle on the last day."""
    unit = {
        "variant": "", "completeness": "usable", "grade": "B", "missing": ["charger"],
        "extras": {"spare battery": 1}, "defects": [], "works": True,
    }
    return worth("Nulva 61K", unit, LAST_DAY, "fixed")


def print_truth():
    print(f"Nulva 61K, grade B, usable, charger missing, spare battery, on {LAST_DAY}: {main_unit():.2f} EUR")
    for title, table in (("grade", GRADES), ("how sold", HOW_SOLD), ("parts only", {"": PARTS_ONLY})):
        print(title, *(f"{name} x{factor}".strip() for name, factor in table.items()), sep="  ")
    for model, facts in MODELS.items():
        print(f"{model}: {facts['price']:.2f} EUR, drift {facts['drift']:+.1%} a month")
        for kind in ("pieces", "extras", "defects", "variants"):
            print(f"  {kind}:", ", ".join(f"{name or '-'} x{factor}" for name, factor in facts[kind].items()))
        print(f"  packaging x{facts['packaging']}, seal x{facts['seal']}")


def main():
    parser = argparse.ArgumentParser(description="Writes the sales records of the demo.")
    parser.add_argument("--check", action="store_true", help="compare the files with what would be written")
    parser.add_argument("--truth", action="store_true", help="print the effects behind the prices")
    options = parser.parse_args()
    if options.truth:
        print_truth()
        return 0
    folder = Path(__file__).resolve().parent
    stale = []
    for name, content in files().items():
        path = folder / name
        if not options.check:
            path.write_bytes(content)
        elif not path.is_file() or path.read_bytes() != content:
            stale.append(name)
    if stale:
        print(f"not what make_demo.py writes: {', '.join(stale)}; run python3 demo/make_demo.py", file=sys.stderr)
    return 1 if stale else 0


if __name__ == "__main__":
    sys.exit(main())
