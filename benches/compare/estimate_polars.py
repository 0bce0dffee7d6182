"""The job of estimate.py with polars' Python package, for timing side by side.

usage: estimate_polars.py BOOK.csv|BOOK.parquet --model M [--grade B] [--completeness full] [--as-of DATE]
       estimate_polars.py BOOK.csv --copy BOOK.parquet

Reads lazily, so that rows of other models go no further than the scan, and fits as estimate.py does,
on the same design. A Parquet copy (`--copy` makes it) has the needed columns in order of the models,
so that a scan passes over the groups of rows that cannot hold the model.
"""

import time

STARTED = time.perf_counter()

import sys

import polars as pl

NEEDED = {
    "sold_on": pl.Date, "model": pl.String, "completeness": pl.String, "grade": pl.String, "missing": pl.String,
    "extras": pl.String, "works": pl.String, "price": pl.Float64, "shipping": pl.Float64, "how_sold": pl.String,
    "lot_size": pl.Int64,
}
# Rows of a Parquet copy that are read or passed over together.
GROUP = 50_000


# The form in which models are compared.
KEY = pl.col("model").str.to_lowercase().str.replace_all(r"\s", "")


def scan(path):
    """The needed columns of a CSV."""
    # A column whose type is not given is text, and no cell of text is null.
    book = pl.scan_csv(path, infer_schema=False, schema_overrides=NEEDED, empty_string_is_null=False)
    return book.select(list(NEEDED))


def select(book, key, wanted, as_of):
    """The newest comps that count of the model whose key is `wanted`, with the age in days."""
    age = (pl.lit(as_of.date()) - pl.col("sold_on")).dt.total_days()
    chosen = (
        (key == wanted) & (pl.col("works") == "yes") & (pl.col("lot_size") == 1) & age.is_between(0, WINDOW_DAYS)
    )
    return book.filter(chosen).with_columns(age.alias("age")).sort("age", maintain_order=True).head(MOST_COMPS)


def read(path, model, as_of):
    """The newest comps of the model that count, as a table of pandas (some dozens of rows)."""
    if path.endswith(".parquet"):
        book, key = pl.scan_parquet(path), pl.col("key")
    else:
        book, key = scan(path), KEY
    comps = select(book, key, fold(model), as_of).collect(engine="streaming")
    return pd.DataFrame(comps.to_dict(as_series=False))


def copy(path, to):
    """Writes the Parquet copy of a CSV."""
    keyed = scan(path).with_columns(KEY.alias("key"))
    keyed.sort("key", maintain_order=True).sink_parquet(to, row_group_size=GROUP)


if __name__ == "__main__":
    if len(sys.argv) == 4 and sys.argv[2] == "--copy":
        copy(sys.argv[1], sys.argv[3])
    else:
        import pandas as pd

        from estimate import MOST_COMPS, WINDOW_DAYS, fold, run

        run(__doc__, STARTED, read)
