"""Proves the certified values of nist_certified.json from nist_norris.csv and nist_longley.csv.

Data and certified values: NIST StRD (Statistical Reference Datasets), linear least squares, data
sets Norris and Longley. The normal equations are solved in exact rational arithmetic, so that
every printed digit can be checked, the last one to within its rounding.
"""

import csv
import json
from decimal import Decimal, localcontext
from fractions import Fraction

from reference import HERE, demand, wants_check


def read_exactly(name):
    """Response and design with an intercept, as fractions."""
    with open(HERE / name, newline="", encoding="utf-8") as file:
        rows = [[Fraction(cell) for cell in row] for row in list(csv.reader(file))[1:]]
    return [row[0] for row in rows], [[Fraction(1), *row[1:]] for row in rows]


def inverse(matrix):
    """Exact inverse of a square matrix of fractions (Gauss and Jordan)."""
    size = len(matrix)
    rows = [row + [Fraction(int(i == j)) for j in range(size)] for i, row in enumerate(matrix)]
    for at in range(size):
        pivot = next(i for i in range(at, size) if rows[i][at] != 0)
        rows[at], rows[pivot] = rows[pivot], rows[at]
        rows[at] = [cell / rows[at][at] for cell in rows[at]]
        for i in range(size):
            if i != at:
                factor = rows[i][at]
                rows[i] = [cell - factor * lead for cell, lead in zip(rows[i], rows[at])]
    return [row[size:] for row in rows]


def dot(a, b):
    return sum(x * y for x, y in zip(a, b))


def root(fraction):
    """Square root to 40 digits."""
    with localcontext() as context:
        context.prec = 40
        return (Decimal(fraction.numerator) / Decimal(fraction.denominator)).sqrt()


def least_squares(y, x):
    """What NIST certifies, exact but for the square roots."""
    columns = list(zip(*x))
    cross = inverse([[dot(a, b) for b in columns] for a in columns])
    moments = [dot(column, y) for column in columns]
    parameters = [dot(row, moments) for row in cross]
    residuals = [yi - dot(row, parameters) for yi, row in zip(y, x)]
    squares = dot(residuals, residuals)
    variance = squares / (len(y) - len(columns))
    mean = sum(y) / len(y)
    return {
        "parameters": parameters,
        "parameter_sds": [root(variance * cross[j][j]) for j in range(len(columns))],
        "residual_sd": root(variance),
        "r_squared": 1 - squares / sum((yi - mean) ** 2 for yi in y),
        "residual_squares": squares,
    }


def agrees(printed, exact):
    """Whether `printed`, a decimal text, is `exact` rounded to the digits shown."""
    unit = Fraction(10) ** Decimal(printed).as_tuple().exponent
    return abs(Fraction(printed) - Fraction(exact)) <= unit / 2


def main():
    wants_check(__doc__)
    text = (HERE / "nist_certified.json").read_text(encoding="utf-8")
    certified = json.loads(text, parse_float=str)
    for name, values in certified.items():
        exact = least_squares(*read_exactly(f"nist_{name}.csv"))
        demand(values.keys() == exact.keys(), f"{name} lists {sorted(exact)}")
        for what, printed in values.items():
            pairs = zip(printed, exact[what], strict=True) if isinstance(printed, list) else [(printed, exact[what])]
            for digits, value in pairs:
                demand(agrees(digits, value), f"{name}, {what}: {digits} printed, {float(value)!r} exact")
        print(f"nist_certified.json: every digit of {name} holds")


if __name__ == "__main__":
    main()
