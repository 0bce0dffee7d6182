#!/bin/sh
# Times compband against the same job in pandas and statsmodels and prints a table; with --growth
# first, how time and memory grow with the comps, polars beside them too; with --once first, commands that
# ask about many units beside another build; with --pocket first, the page for the phone beside its units one by one.
# usage: benches/compare/run.sh [--growth | --once | --pocket] BIN [options of the script]
# The Python environment has the versions pinned in requirements.txt and is kept in target/compare.
set -eu

script=side_by_side.py
case "${1-}" in
--growth) script=growth.py && shift ;;
--once) script=run_once.py && shift ;;
--pocket) script=pocket.py && shift ;;
esac
if [ $# -eq 0 ]; then
    echo "usage: $0 BIN [--rows N ...] [--repeats R] [--keep DIR]" >&2
    echo "       $0 --growth BIN [--rows N ...] [--repeats R] [--memory GB] [--keep DIR] [--csv FILE] [--chart FILE.svg]" >&2
    echo "       $0 --pocket BIN [--models M] [--rows N] [--units U] [--keep DIR]" >&2
    echo "       $0 --once BIN OTHER_BIN [--rows N] [--units U] [--listings L] [--repeats R] [--keep DIR]" >&2
    exit 2
fi
here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
venv=$root/target/compare/venv

[ -x "$venv/bin/python" ] || python3 -m venv "$venv"
"$venv/bin/python" -m pip install --quiet --disable-pip-version-check -r "$here/requirements.txt"
exec "$venv/bin/python" "$here/$script" "$@"
