#!/usr/bin/env python3
"""Writes reports of the demo's book and of one full of hostile text, and has LibreOffice open the
workbooks and the CSV.

usage: check_report.py COMPBAND OUT

COMPBAND is the program, OUT a folder for what is written (the pages are then looked at by
check_report.mjs). What LibreOffice works out is held against the estimate as JSON: the results that are
stored beside the formulas are first overwritten, so that they have to be worked out anew.
"""

import csv
import json
import math
import os
import re
import shutil
import subprocess
import sys
import zipfile
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
UNIT = ["--model", "Nulva 61K", "--grade", "B", "--completeness", "usable", "--missing", "charger",
        "--extra", "spare battery", "--as-of", "2026-11-20"]
HOSTILE = [
    '=HYPERLINK("http://example.invalid";"x")', "+1+1", "-2+3", "@SUM(A1:A9)", "  =1+1",
    "<script>alert(1)</script>", '"><img src=x onerror=alert(2)>', "</style></td><svg onload=alert(3)>",
    "&lt;b&gt; 'quoted'", "]]> --> */", "אבג 'x'",
]
RECALCULATE = """<?xml version="1.0" encoding="UTF-8"?>
<oor:items xmlns:oor="http://openoffice.org/2001/registry">
<item oor:path="/org.openoffice.Office.Calc/Formula/Load"><prop oor:name="OOXMLRecalcMode" oor:op="fuse">\
<value>0</value></prop></item>
</oor:items>
"""
# Comma, double quote, UTF-8, from line 1, as stored rather than as shown, every sheet.
AS_CSV = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,false,false,false,false,-1"


def run(*command, fails=False, **more):
    done = subprocess.run([str(word) for word in command], text=True, capture_output=True, **more)
    if done.returncode != 0 and not fails:
        sys.exit(f"{command}: {done.stderr}")
    return done.stdout


def demo_book(compband, book):
    run(compband, "init", book)
    shutil.copy(ROOT / "demo/compband.toml", book)
    run(compband, "--book", book, "import", ROOT / "demo/sales-2025.csv")
    run(compband, "--book", book, "import", "--mapping", "sheet", ROOT / "demo/sales-2026.csv")


def hostile_book(compband, book):
    run(compband, "init", book)
    source = book / "hostile.csv"
    with source.open("w", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["sold_on", "model", "variant", "grade", "defects", "price", "currency", "note"])
        for at in range(3 * len(HOSTILE)):
            text = HOSTILE[at % len(HOSTILE)]
            defect = text.replace(";", ",") if at % 2 else ""
            writer.writerow([f"2026-{1 + at % 9:02}-{1 + at % 28:02}", "<b>Bolv</b> & \"83V\"", text, "AB"[at % 2],
                             defect, 90 + at % 7, "EUR", text])
    run(compband, "--book", book, "import", source)


def report(compband, book, out, name, units, *more):
    """Writes a report of what `units` names or describes."""
    run(compband, "--book", book, "report", *units, "--out", out / f"{name}.html", "--xlsx", out / f"{name}.xlsx",
        "--csv", out / f"{name}-comps.csv", "--csv-adjustments", out / f"{name}-adjustments.csv", *more)


def estimate(compband, book, unit):
    return json.loads(run(compband, "--book", book, "estimate", *unit, "--json"))


def watch(compband, book, name, unit):
    """Watches a unit; the day, which is not watched, comes last in it."""
    run(compband, "--book", book, "watch", "add", name, *unit[:-2])


def forget_results(workbook, forgetful):
    """A copy of a workbook in which every formula's stored result is -1; returns how many there are."""
    count = 0
    with zipfile.ZipFile(workbook) as old, zipfile.ZipFile(forgetful, "w", zipfile.ZIP_DEFLATED) as new:
        for item in old.infolist():
            data = old.read(item)
            if item.filename.startswith("xl/worksheets/"):
                text, made = re.subn(r"(</f>)<v>[^<]*</v>", r"\1<v>-1</v>", data.decode())
                data, count = text.encode(), count + made
            new.writestr(item, data)
    return count


def libreoffice(file, out):
    """Has LibreOffice read a file; returns its sheets as rows of cells, by name."""
    profile = out / "profile"
    (profile / "user").mkdir(parents=True, exist_ok=True)
    (profile / "user/registrymodifications.xcu").write_text(RECALCULATE)
    utf8 = ["--infilter=Text - txt - csv (StarCalc):44,34,76,1"] if file.suffix == ".csv" else []
    run("soffice", f"-env:UserInstallation=file://{profile}", "--headless", *utf8, "--convert-to", AS_CSV,
        "--outdir", out, file, env={**os.environ, "HOME": str(out)})
    made = sorted(out.glob(f"{file.stem}-*.csv")) or [out / f"{file.stem}.csv"]
    sheets = {path.stem.removeprefix(f"{file.stem}-"): list(csv.reader(path.open(newline=""))) for path in made}
    for path in made:
        path.unlink()
    return sheets


def table(rows):
    """The rows of a sheet up to the first blank one, as dictionaries."""
    head, out = rows[0], []
    for row in rows[1:]:
        if not any(row):
            break
        out.append(dict(zip(head, row)))
    return out


def labelled(rows, label):
    """The last cell that is filled in the row that begins with a label."""
    return float(next([cell for cell in row if cell][-1] for row in rows if row[0].startswith(label)))


def near(ours, theirs, what, within=0.005000001):
    if abs(float(ours) - float(theirs)) > within:
        sys.exit(f"{what}: {ours} against {theirs}")


def check_workbook(out, name, estimates):
    """Holds a workbook against the estimates by the names of their units."""
    forgetful = out / f"{name}-forgetful.xlsx"
    formulas = forget_results(out / f"{name}.xlsx", forgetful)
    sheets = libreoffice(forgetful, out / "opened")
    for unit, estimate in estimates.items():
        called = [f"{unit} adjustments", f"{unit} comps"] if unit else ["Adjustments", "Comps"]
        check_sheets(f"{name} {unit or ''}", [sheets.pop(sheet) for sheet in called], estimate)
    if sheets:
        sys.exit(f"{name}: sheets of nothing asked for: {list(sheets)}")
    forgetful.unlink()
    return formulas


def check_sheets(name, sheets, estimate):
    comps, adjustments = map(table, reversed(sheets))
    used = [comp for comp in estimate["comps"] if comp["used"]]
    if [c["comp_id"] for c in comps if c["used"] == "yes"] != [c["comp_id"] for c in used]:
        sys.exit(f"{name}: other comps than the estimate's")
    for ours, theirs in zip(used, comps):
        near(ours["paid"], theirs["paid"], "paid")
        near(ours["adjusted"], theirs["adjusted"], "adjusted")
        near(float(ours["adjusted"]) / float(ours["paid"]), theirs["adjusted_over_paid"], "ratio")
        for fact in ["variant", "grade"]:
            if ours[fact] != theirs[fact]:
                sys.exit(f"{name}: {fact} {theirs[fact]!r}, not {ours[fact]!r}")
        if ours["sold_on"] != theirs["sold_on"]:
            sys.exit(f"{name}: day {theirs['sold_on']}, not {ours['sold_on']}")
    weights = sum(c["weight"] for c in used)
    mean = math.exp(sum(c["weight"] * math.log(float(c["adjusted"])) for c in used) / weights)
    likely = float(estimate["likely_price"])
    near(mean, labelled(sheets[1], "Weighted geometric mean"), "weighted mean", 1e-6)
    near(likely - mean, labelled(sheets[1], "Difference"), "difference", 1e-6)
    near(mean, likely, "weighted mean and likely price", 0.01 * likely)
    own = sum(a["on_unit"] * float(a["used"]["value"]) for a in estimate["adjustments"])
    near(own, labelled(sheets[0], "Sum of"), "sum of adjustments", 1e-6)
    if [a["what"] for a in adjustments] != [a["what"] for a in estimate["adjustments"]]:
        sys.exit(f"{name}: other adjustments than the estimate's")


def check_csv(out, name, estimates):
    [comps] = libreoffice(out / f"{name}-comps.csv", out / "opened").values()
    written = {(comp.get("unit"), comp["comp_id"]): comp for comp in table(comps)}
    if len(written) != sum(len(estimate["comps"]) for estimate in estimates.values()):
        sys.exit(f"{name}: {len(written)} comps in the CSV")
    for unit, estimate in estimates.items():
        for comp in estimate["comps"]:
            variant = written[unit, comp["comp_id"]]["variant"]
            formula = comp["variant"].strip()[:1] in set("=+-@")
            if variant != ("'" if formula else "") + comp["variant"]:
                sys.exit(f"{name}: LibreOffice makes {variant!r} of {comp['variant']!r}")
    libreoffice(out / f"{name}-adjustments.csv", out / "opened")


def main(compband, out):
    out = Path(out).resolve()
    (out / "opened").mkdir(parents=True)
    demo, hostile = out / "demo-book", out / "hostile-book"
    demo_book(compband, demo)
    hostile_book(compband, hostile)
    unit = ["--model", "<b>Bolv</b> & \"83V\"", "--variant", "\u202e<script>alert(4)</script>",
            "--defect", "<img src=x onerror=alert(5)>", "--as-of", "2026-11-20"]
    day = unit[-2:]
    bid = ["--bid", "--against", "88", "--repair", "new battery: parts 14, minutes 30, success 0.9"]
    report(compband, demo, out, "demo", UNIT, "--check", *bid, "--ask", "--deadline", "6")
    report(compband, hostile, out, "hostile", unit, "--repair", "<script>alert(6)</script>: parts 1, success 1")
    pages = {"demo": {None: estimate(compband, demo, UNIT)}, "hostile": {None: estimate(compband, hostile, unit)}}
    # Several units on one page, in another order than that of their names.
    qn948 = ["--model", "Tumrik QN 948", "--grade", "C", *day]
    plain = ["--model", "<b>Bolv</b> & \"83V\"", *day]
    for book, name, units in [(demo, "stock", {"qn948": qn948, "61k": UNIT}), (hostile, "hostiles", {"b": unit, "a": plain})]:
        for called, described in units.items():
            watch(compband, book, called, described)
        report(compband, book, out, name, [*units, *day], "--check", "--bid", "--ask", "--deadline", "5")
        pages[name] = {called: estimate(compband, book, described) for called, described in units.items()}
    for name, estimates in pages.items():
        formulas = check_workbook(out, name, estimates)
        check_csv(out, name, estimates)
        comps = sum(len(estimate["comps"]) for estimate in estimates.values())
        print(f"{name}: LibreOffice agrees on {comps} comps and {formulas} formulas.")


main(*sys.argv[1:])
