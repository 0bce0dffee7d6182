#!/bin/sh
# Six weeks of a small trade: listings judged, a part bought, a unit bought by negotiation, several bought at one
# price, one repaired from the drawer, one dead and taken apart, one put up for sale at two outlets, offers
# answered, sold, returned and sold again, and the year summed up. The next estimate moves by it. Leaves
# reports/story-book, reports/story.journal and reports/bankroll.png and .svg, made anew each time.
set -eu
cd "$(dirname "$0")/.."
cargo build --release --locked --quiet
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
    "$program" ledger fund 600 --date 2026-10-05
} >reports/story-setup.txt 2>&1

# 5 October: a spare part, and something to pack with.
compband part add display --fits "Tumrik QN 948" --cost 22 --date 2026-10-05
compband ledger overhead 12.50 "cartons and tape" --date 2026-10-05

# 6 October: two listings. The first does not hold a charge; the second has a broken display, and there is one in
# the drawer.
compband bid "Nulva 61K" --grade B --completeness usable --as-of 2026-10-06 \
    --repair "new battery: parts 14, minutes 30, success 0.9" --inbound 6 --against 82
compband bid "Tumrik QN 948" --grade B --completeness full --as-of 2026-10-06 \
    --repair "display: from drawer, minutes 50, success 0.75, spoils 0.5" --inbound 4.90 --against 25

# Both are bought, the first for less than was asked, and repaired.
compband buy "Nulva 61K" --asked 82 --price 70 --inbound 6 --grade B --completeness usable --date 2026-10-07
compband buy "Tumrik QN 948" --asked 25 --price 22 --inbound 4.90 --grade B --completeness full --date 2026-10-07
compband spend d1 14 "new battery" --minutes 30 --date 2026-10-10
compband part use d2 display --date 2026-10-10 --note "50 minutes, works"

# 11 October: a box of two at one price. One of them is dead, and is taken apart.
compband buy-lot "Bolv 83V: A, usable" "Bolv 83V: parts" --price 26 --inbound 3.90 --date 2026-10-11
compband harvest d4 "aerial = 4; battery door = 2.50" --minutes 20 --date 2026-10-12

# 12 October: the first is put up for sale, at two outlets at once.
compband ask d1 --as-of 2026-10-12
compband list d1 --ask 173 --outlet parcel --date 2026-10-12
compband list d1 --ask 154 --outlet doorstep --date 2026-10-12
compband offer d1 95 --outlet doorstep --date 2026-10-18

# Prices have come down meanwhile: it asks less, and an offer is answered by the thresholds of the day.
compband list d1 --ask 155 --outlet parcel --date 2026-10-20
compband offer d1 125 --outlet parcel --date 2026-10-21

# Sold by post, and the buyer sends it back: the jack crackles. It is cleaned, and sold to a neighbour.
compband sold d1 --price 142 --outlet parcel --date 2026-10-24
compband ledger refund d1 --back --fees-back 12 --sending 5.70 --date 2026-11-02 --note "jack crackles"
compband spend d1 --minutes 15 "jack cleaned" --date 2026-11-03
compband list d1 --ask 132 --outlet doorstep --date 2026-11-03
next() {
    printf '%s\n' "$1"
    "$program" estimate "Nulva 61K" --grade B --completeness usable --as-of 2026-11-14 |
        grep -e 'Likely price' -e '% range  '
}
before=$(next "Before that sale was logged:")
compband sold d1 --price 128 --outlet doorstep --how-sold offer --log-comp --date 2026-11-14

# The others.
compband list d2 --ask 92 --outlet parcel --date 2026-10-12
compband sold d2 --at-asking --date 2026-11-06
compband list d3 --ask 44 --outlet table --date 2026-11-08

compband ledger --as-of 2026-11-20 --chart reports/bankroll.png --chart reports/bankroll.svg
compband part list --as-of 2026-11-20
compband ledger --year 2026 --as-of 2026-11-20
"$program" ledger --year 2026 --as-of 2026-11-20 --csv reports/story-year.csv 2>>reports/story-setup.txt
compband ledger export --journal reports/story.journal

# The next one: the sale is among its comps now.
printf '\nThe next such unit, on the same day\n%s\n' "$before"
next "After:"
