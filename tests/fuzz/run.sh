#!/bin/sh
# Runs the targets of cargo-fuzz one after the other, each for SECONDS (600), and ends where one finds
# something: what did it is then in tests/fuzz/artifacts/TARGET.
# usage: tests/fuzz/run.sh [SECONDS [TARGET...]]
# Needs a nightly toolchain and cargo-fuzz (cargo install cargo-fuzz --locked). The first build takes half an
# hour on 2 cores: it compiles every dependency anew. FUZZ_TARGET_DIR says where it goes (target/fuzz).
set -eu
cd "$(dirname "$0")/../.."

seconds=${1:-600}
[ $# -eq 0 ] || shift
[ $# -gt 0 ] || set -- import settings values ledger listings
built=${FUZZ_TARGET_DIR:-$PWD/target/fuzz}
corpus=tests/fuzz/corpus

# The seeds: heads of the demo's sheets, its settings and those of `init`, its listings, a ledger, values.
for target in import settings values ledger listings; do mkdir -p "$corpus/$target"; done
for sheet in sales-2025 sales-2026 typos; do head -n 12 "demo/$sheet.csv" >"$corpus/import/$sheet.csv"; done
cp demo/compband.toml "$corpus/settings/demo.toml"
cp data/compband.toml "$corpus/settings/init.toml"
cp demo/listings.csv "$corpus/listings"
cp tests/fuzz/ledger.csv "$corpus/ledger"
number=0
while IFS= read -r value; do
    number=$((number + 1))
    printf '%s' "$value" >"$corpus/values/$number"
done <tests/fuzz/values.txt

# Without a sanitizer: our code has no `unsafe`, and panics and overflows are found all the same.
for target; do
    echo "== $target, $seconds s"
    cargo +nightly fuzz run --fuzz-dir tests/fuzz --target-dir "$built" --sanitizer none "$target" -- \
        -max_total_time="$seconds" -dict=tests/fuzz/tokens.dict -timeout=20 -rss_limit_mb=4096 -print_final_stats=1
done
