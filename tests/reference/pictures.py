#!/usr/bin/env python3
"""Takes the README's pictures of both pages in Chromium, on the demo's day: demo/desk-price.png and demo/pocket.png.

usage: pictures.py COMPBAND [BOOK]

BOOK is the book of demo/run.sh, reports/demo-book, if it is left out. Needs Debian's chromium, chromium-driver and faketime.
"""

import base64
import pathlib
import shutil
import sys
import tempfile
import time

from browser import Browser
from desk import ROOT, Desk, compband, demo_book

DAY = "2026-11-20"
UNIT = "model=Nulva+61K&grade=B&completeness=usable&missing=charger&extra=spare+battery"


def taken(page, name):
    shot = page.devtools("Page.captureScreenshot", format="png", optimizeForSpeed=False)
    (ROOT / "demo" / name).write_bytes(base64.b64decode(shot["data"]))


def main():
    program = str(pathlib.Path(sys.argv[1]).resolve())
    with tempfile.TemporaryDirectory() as folder:
        book = pathlib.Path(folder) / "demo-book"
        shutil.copytree(sys.argv[2] if len(sys.argv) > 2 else ROOT / "reports/demo-book", book)
        clock = pathlib.Path(folder) / "compband"
        clock.write_text(f"#!/bin/sh\nexec faketime '{DAY} 12:00:00' {program} \"$@\"\n")
        clock.chmod(0o755)
        with Browser(size=(1100, 760)) as page:
            page.devtools("Emulation.setScrollbarsHidden", hidden=True)
            with Desk(str(clock), book) as desk:
                page.size(1100, 760)
                page.go(desk.enter)
                page.go(f"{desk.home}/price?{UNIT}")
                page.wait(lambda: page.all("figure svg, .chart svg"), "the chart")
                taken(page, "desk-price.png")
            file = pathlib.Path(folder) / "pocket.html"
            compband(program, book, "pocket", "--as-of", DAY, "--out", str(file))
            page.size(390, 760)
            page.go(file.as_uri())
            # On the demo's day, and with the same unit.
            page.script(
                "document.getElementById('age').hidden = true; document.documentElement.classList.remove('old', 'stale');"
                "const model = document.getElementById('model');"
                "model.selectedIndex = [...model.options].findIndex((one) => one.text === 'Nulva 61K');"
                "model.dispatchEvent(new Event('change'));"
                "for (const name of ['B', 'usable', 'charger', 'spare battery'])"
                " [...document.querySelectorAll('#choices label')].find((one) => one.textContent === name).click();"
                "document.activeElement.blur(); window.scrollTo(0, 0);"
            )
            time.sleep(0.3)
            taken(page, "pocket.png")


if __name__ == "__main__":
    main()
