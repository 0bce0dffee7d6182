#!/bin/sh
# The whole job on the demo's records: a book, three imports, what it holds, an estimate with its
# chart, and how good such estimates were. Leaves reports/demo-book, reports/nulva-61k.png and .svg
# and reports/check.png and .svg, made anew each time.
set -eu
cd "$(dirname "$0")/.."
cargo build --release --locked
program=${CARGO_TARGET_DIR:-target}/release/compband
. demo/show.sh

book=reports/demo-book
rejects=reports/typos-rejected.csv
rm -rf "$book" "$rejects"

compband init "$book"
cp demo/compband.toml "$book/compband.toml"
export COMPBAND_BOOK="$book"

compband import demo/sales-2025.csv
compband import --mapping sheet demo/sales-2026.csv
# A file with typing errors is refused as a whole, every error named …
compband import demo/typos.csv && exit 1
# … or its good rows are taken and the others set aside to be fixed.
compband import --keep-good --rejects "$rejects" demo/typos.csv
compband models
compband estimate --model "Nulva 61K" --grade B --completeness usable --missing charger \
    --extra "spare battery" --as-of 2026-11-20 --chart reports/nulva-61k.png --chart reports/nulva-61k.svg
# The picture of the README.
cp reports/nulva-61k.svg demo/nulva-61k.svg
compband check --by grade --chart reports/check.png --chart reports/check.svg
