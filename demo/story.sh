#!/bin/sh
# One deal from listing to the next estimate: three listings are judged, one unit is bought, mended
# and put up for sale, an offer is weighed, the unit sold and its sale logged, and the estimate of
# the next one moves by it. Leaves reports/story-book and reports/bankroll.png and .svg, made anew
# each time.
set -eu
cd "$(dirname "$0")/.."
cargo build --release --locked
program=${CARGO_TARGET_DIR:-target}/release/compband
. demo/show.sh

book=reports/story-book
rm -rf "$book"

# A book with the records of the demo; `demo/run.sh` shows how they come in.
{
    "$program" init "$book"
    cp demo/compband.toml "$book/compband.toml"
    export COMPBAND_BOOK="$book"
    "$program" import demo/sales-2025.csv
    "$program" import --mapping sheet demo/sales-2026.csv
    "$program" ledger fund 600 --date 2026-10-20
} >reports/story-setup.txt 2>&1

# 20 October: three listings. The first does not hold a charge, but is otherwise like the second.
compband bid --model "Nerrow F4" --grade B --completeness usable --as-of 2026-10-20 \
    --repair "new battery: parts 14, minutes 30, success 0.9" --inbound 6 --against 75
compband bid --model "Tolvik Page 6" --grade B --completeness full --as-of 2026-10-20 \
    --repair "new display: parts 22, minutes 50, success 0.75" --inbound 4.90 --against 25
compband bid --model "Brask M2" --grade A --completeness boxed --as-of 2026-10-20 \
    --inbound 3.90 --against 31

# The first is bought and mended, and put up for sale on the 24th.
compband buy "Nerrow F4" --price 75 --inbound 6 --grade B --completeness usable --date 2026-10-20
compband spend d1 14 "new battery" --minutes 30 --date 2026-10-23
compband ask --model "Nerrow F4" --grade B --completeness usable --as-of 2026-10-24 --deadline 6

# Two weeks on somebody offers 120: too little, by the table, and he does not come up to what is answered. A
# week later somebody pays the price that the table asks by then.
compband offer 120 --week 2 --model "Nerrow F4" --grade B --completeness usable \
    --as-of 2026-10-24 --deadline 6
next() {
    printf '%s\n' "$1"
    "$program" estimate --model "Nerrow F4" --grade B --completeness usable --as-of 2026-11-14 |
        grep -e 'Likely price' -e '% band  '
}
before=$(next "Before that sale was logged:")
compband sold d1 --price 137 --offers 2 --how-sold fixed --log-comp --date 2026-11-14
compband ledger --as-of 2026-11-14 --chart reports/bankroll.png --chart reports/bankroll.svg

# The next one: the sale is among its comps now.
printf '\nThe next such unit, on the same day\n%s\n' "$before"
next "After:"
