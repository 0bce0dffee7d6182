#!/bin/sh
# Times compband against the same job in pandas and statsmodels and prints a table; with --growth
# first, how time and memory grow with the comps, polars beside them too.
# usage: benches/compare/run.sh [--growth] BIN [options of side_by_side.py or growth.py]
# The Python environment has the versions pinned in requirements.txt and is kept in target/compare.
set -eu

script=side_by_side.py
if [ "${1-}" = --growth ]; then
    script=growth.py
    shift
fi
if [ $# -eq 0 ]; then
    echo "usage: $0 BIN [--rows N ...] [--repeats R] [--keep DIR]" >&2
    echo "       $0 --growth BIN [--rows N ...] [--repeats R] [--memory GB] [--keep DIR] [--csv FILE] [--chart FILE.svg]" >&2
    exit 2
fi
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
venv=$root/target/compare/venv

[ -x "$venv/bin/python" ] || python3 -m venv "$venv"
"$venv/bin/python" -m pip install --quiet --disable-pip-version-check -r "$here/requirements.txt"
exec "$venv/bin/python" "$here/$script" "$@"
