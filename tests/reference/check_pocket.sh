#!/bin/sh
# Taps the page for the phone in Chromium and holds it against the command line.
# usage: tests/reference/check_pocket.sh COMPBAND [COUNT [SCREENSHOTS]]
# COUNT combinations are drawn (2000 if not given); SCREENSHOTS is a folder for pictures. Needs node with npm, and
# Debian's package chromium, which is installed where it is missing.
set -eu

here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
compband=$(realpath "$1")
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT

if ! command -v chromium >/dev/null; then
    apt-get update -qq
    apt-get install -qq -y --no-install-recommends chromium
fi
npm install --silent --no-audit --no-fund --no-package-lock --prefix "$scratch/modules" \
    playwright-core@1.65.1 axe-core@4.14.1

"$compband" init "$scratch/book"
cp "$root/demo/compband.toml" "$scratch/book/compband.toml"
"$compband" --book "$scratch/book" import "$root/demo/sales-2025.csv"
"$compband" --book "$scratch/book" import --mapping sheet "$root/demo/sales-2026.csv"
"$compband" --book "$scratch/book" pocket --as-of 2026-11-20 --outlet parcel --outlet doorstep \
    --out "$scratch/pocket.html"
node "$here/check_pocket.mjs" "$scratch/modules" "$(command -v chromium)" "$compband" "$scratch/pocket.html" \
    "$scratch/book" 2026-11-20 "${2:-2000}" ${3:+"$3"}
