#!/bin/sh
# Recomputes every reference file with the pinned versions and compares it with the committed one.
# usage: tests/reference/check.sh [VENV]
# VENV is a folder for the Python environment, made where it is not there and kept; without it, a
# temporary one.
set -eu

here=$(cd "$(dirname "$0")" && pwd)
if [ $# -gt 0 ]; then
    venv=$1
else
    scratch=$(mktemp -d)
    trap 'rm -rf "$scratch"' EXIT
    venv=$scratch/venv
fi

[ -x "$venv/bin/python" ] || python3 -m venv "$venv"
"$venv/bin/python" -m pip install --quiet --disable-pip-version-check -r "$here/requirements.txt"

export PYTHONDONTWRITEBYTECODE=1
for script in check_nist check_handbook make_textbook_auctions make_robust make_pool make_posterior make_ratio make_accuracy make_undeclared make_outlet make_survival; do
    "$venv/bin/python" "$here/$script.py" --check
done
"$venv/bin/python" "$here/../../benches/accuracy/make_data.py" --check
echo "All reference files hold."
