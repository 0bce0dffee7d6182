#!/usr/bin/env python3
"""Has hledger and Ledger read the journals that compband exports, and compares every balance.

usage: check_ledger.py COMPBAND

COMPBAND is the program. Both readers must be installed (Debian: hledger, ledger); they check the
balance assertions at the end of each journal, and their own sums are held against the accounts in
`compband ledger --json`, to the last coin, for currencies with two, three and no decimals.
"""

import csv
import io
import json
import os
import subprocess
import sys
import tempfile
from collections import defaultdict
from decimal import Decimal

ACCOUNTS = {
    "cash": "Assets:Cash",
    "stock": "Assets:Stock",
    "capital": "Equity:Capital",
    "sales": "Income:Sales",
    "shipping_paid": "Income:Shipping",
    "fees": "Expenses:Fees",
    "sending": "Expenses:Sending",
    "refunds": "Expenses:Refunds",
    "cost": "Expenses:Cost of sales",
    "losses": "Expenses:Losses",
}

# Amounts in units of the coin, so that each currency has its own.
STORY = [
    ["ledger", "fund", 30000, "--date", "2026-01-02"],
    ["buy", "Nerrow F4", "--price", 4217, "--shipping", 503, "--date", "2026-01-05",
     "--note", "a; b | c: d  = 5 @ 3"],
    ["spend", "d1", 1499, "new battery; (2) * pieces", "--minutes", "30", "--date", "2026-01-09"],
    ["buy", "Größe 7; \"wide\" | R:2", "--price", 0, "--date", "2026-01-09"],
    ["buy", "Brask M2", "--price", 1201, "--date", "2026-01-11"],
    ["sold", "d1", "--price", 13113, "--shipping", 487, "--fees", 1237, "--sending", 611,
     "--date", "2026-02-01"],
    ["sold", "d2", "--price", 907, "--fees", 91, "--sending", 0, "--date", "2026-02-01"],
    ["ledger", "refund", "d2", 100, "--date", "2026-02-03"],
    ["ledger", "refund", "d1", "--back", "--fees-back", 1001, "--sending", 499, "--date", "2026-02-07"],
    ["scrap", "d3", "--for", 53, "--date", "2026-02-08"],
    ["ledger", "reverse", "10"],
    ["scrap", "d3", "--for", 61, "--date", "2026-02-08"],
    ["ledger", "draw", 2003, "--date", "2026-02-20"],
    ["buy", "Tolvik Page 6", "--price", 3009, "--date", "2026-01-20"],
    ["ledger", "reverse", "14"],
]


def run(*command, **more):
    done = subprocess.run(command, text=True, capture_output=True, **more)
    if done.returncode != 0:
        sys.exit(f"{' '.join(command)}: {done.stderr}")
    return done.stdout


def typed(units, decimals):
    """An amount as typed; of three decimals a fourth, since 1.500 is also one thousand five hundred."""
    text = str(Decimal(units).scaleb(-decimals))
    return text + "0" if decimals == 3 else text


def money(text):
    return Decimal(text.replace(",", "").split()[0] if text.strip() else "0")


def by_hledger(journal):
    run("hledger", "-f", journal, "check")
    table = run("hledger", "-f", journal, "balance", "--flat", "--no-total", "-O", "csv", "--empty")
    rows = list(csv.reader(io.StringIO(table)))[1:]
    return {account: money(amount) for account, amount in rows}


def by_ledger(journal):
    table = run("ledger", "--args-only", "-f", journal, "balance", "--flat", "--no-total", "--empty",
                "--format", "%(account)\t%(amount)\n")
    rows = [line.split("\t") for line in table.splitlines() if line.strip()]
    return {account: money(amount) for account, amount in rows}


def compare(compband, code, decimals):
    with tempfile.TemporaryDirectory() as book:
        env = {**os.environ, "COMPBAND_BOOK": book}
        with open(os.path.join(book, "compband.toml"), "w", encoding="utf-8") as settings:
            settings.write(f'currency = "{code}"\n')
        for line in STORY:
            words = [typed(word, decimals) if isinstance(word, int) else word for word in line]
            run(compband, *words, env=env)
        journal = os.path.join(book, "out.journal")
        run(compband, "ledger", "export", "--journal", journal, env=env)
        ours = json.loads(run(compband, "ledger", "--json", env=env))["accounts"]
        for reader in (by_hledger, by_ledger):
            theirs = defaultdict(Decimal)
            for account, amount in reader(journal).items():
                theirs[":".join(account.split(":")[:2])] += amount
            for name, account in ACCOUNTS.items():
                if theirs[account] != Decimal(ours[name]):
                    sys.exit(f"{code}, {reader.__name__}, {account}: {theirs[account]} is not our {ours[name]}")
            if sum(theirs.values()) != 0:
                sys.exit(f"{code}, {reader.__name__}: accounts sum to {sum(theirs.values())}")
            extra = set(theirs) - set(ACCOUNTS.values())
            if extra:
                sys.exit(f"{code}, {reader.__name__}: accounts of no name of ours: {extra}")
        # A wrong balance must not be read in silence.
        with open(journal, encoding="utf-8") as file:
            text = file.read()
        last = text.rindex(" = ")
        digit = text.index(next(c for c in text[last:] if c.isdigit() and c != "9"), last)
        spoilt = text[:digit] + "9" + text[digit + 1:]
        with open(journal, "w", encoding="utf-8") as file:
            file.write(spoilt)
        for command in (["hledger", "-f", journal, "check"], ["ledger", "--args-only", "-f", journal, "balance"]):
            if subprocess.run(command, capture_output=True).returncode == 0:
                sys.exit(f"{code}: {command[0]} passes over a wrong balance")
    print(f"{code}: hledger and Ledger agree on {len(ACCOUNTS)} accounts.")


def main():
    compband = os.path.abspath(sys.argv[1])
    for code, decimals in (("EUR", 2), ("KWD", 3), ("JPY", 0)):
        compare(compband, code, decimals)


if __name__ == "__main__":
    main()
