#!/bin/sh
# Times compband against the same job in pandas and statsmodels and prints a table.
# usage: benches/compare/run.sh BIN [options of side_by_side.py]
# The Python environment has the pinned versions of tests/reference and is kept in target/compare.
set -eu

if [ $# -eq 0 ]; then
    echo "usage: $0 BIN [--rows N ...] [--repeats R] [--keep DIR]" >&2
    exit 2
fi
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
venv=$root/target/compare/venv

[ -x "$venv/bin/python" ] || python3 -m venv "$venv"
"$venv/bin/python" -m pip install --quiet --disable-pip-version-check -r "$root/tests/reference/requirements.txt"
exec "$venv/bin/python" "$here/side_by_side.py" "$@"
