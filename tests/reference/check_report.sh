#!/bin/sh
# Opens reports as their readers do: pages in Chromium with axe-core, workbooks and CSV in LibreOffice.
# usage: tests/reference/check_report.sh COMPBAND
# Needs node with npm, python3, and Debian's packages chromium, libreoffice-calc and poppler-utils,
# which are installed where they are missing (under a minute).
set -eu

here=$(cd "$(dirname "$0")" && pwd)
compband=$(realpath "$1")
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT

missing=
command -v chromium >/dev/null || missing="$missing chromium"
command -v soffice >/dev/null || missing="$missing libreoffice-calc"
command -v pdftotext >/dev/null || missing="$missing poppler-utils"
if [ -n "$missing" ]; then
    apt-get update -qq
    # Word by word: several packages.
    # shellcheck disable=SC2086
    apt-get install -qq -y --no-install-recommends $missing
fi
npm install --silent --no-audit --no-fund --no-package-lock --prefix "$scratch/modules" \
    playwright-core@1.65.1 axe-core@4.14.1

python3 "$here/check_report.py" "$compband" "$scratch/out"
node "$here/check_report.mjs" "$scratch/modules" "$(command -v chromium)" "$scratch"/out/*.html
