#!/usr/bin/env python3
"""Has hledger and Ledger read the journals that compband exports, and compares every balance.

usage: check_ledger.py COMPBAND [LEDGERS [ENTRIES]]

COMPBAND is the program. Both readers must be installed (Debian: hledger, ledger); they check the
balance assertions at the end of each journal, and their own sums are held against the accounts in
`compband ledger --json`, to the last coin, for currencies with two, three and no decimals.

Then LEDGERS (default 4) random ledgers of ENTRIES (default 100) attempts each are made by the
program, of all kinds of entries and with days in any order, and hledger's balances at the end of
every day are held against `compband ledger --as-of DAY`.
"""

import csv
import io
import datetime
import json
import os
import random
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
    ["buy", "Nerrow F4", "--price", 4217, "--inbound", 503, "--date", "2026-01-05",
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


FIRST = datetime.date(2026, 1, 1)
DAYS = 90


def attempt(rng, progress):
    """A random command on a ledger, of a day around its progress; the program may refuse it."""
    on = min(max(0, round(DAYS * progress + rng.gauss(0, 8))), DAYS - 1)
    on = str(FIRST + datetime.timedelta(days=on))
    deal, coin = f"d{rng.randint(1, 8)}", lambda most: f"{rng.randint(0, most) / 100:.2f}"
    line = rng.choice([
        lambda: ["ledger", "fund", coin(40000)],
        lambda: ["ledger", "draw", coin(9000)],
        lambda: ["buy", "Brask M2", "--price", coin(9000), "--date", on],
        lambda: ["buy", "Brask M2", "--price", coin(9000), "--date", on],
        lambda: ["spend", deal, coin(3000), "part", "--minutes", "5"],
        lambda: ["ledger", "describe", deal, "--parts"],
        lambda: ["sold", deal, "--price", coin(20000), "--fees", coin(2000), "--sending", coin(900)],
        lambda: ["sold", deal, "--price", coin(20000), "--fees", coin(2000), "--sending", coin(900)],
        lambda: ["scrap", deal, "--for", coin(500)],
        lambda: ["ledger", "refund", deal, coin(900)],
        lambda: ["ledger", "refund", deal, "--back", "--fees-back", coin(300), "--sending", coin(500)],
        lambda: ["ledger", "reverse", str(rng.randint(1, 1 + round(0.5 * progress * DAYS)))],
    ])()
    own_day = line[1] == "reverse" and rng.random() < 0.5
    return line if own_day or "--date" in line else [*line, "--date", on]


def every_day(compband, seed, attempts):
    """A random ledger by the program, and hledger's balances of every day against our own."""
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as book:
        env = {**os.environ, "COMPBAND_BOOK": book}
        with open(os.path.join(book, "compband.toml"), "w", encoding="utf-8") as settings:
            settings.write('currency = "EUR"\n')
        run(compband, "ledger", "fund", "500", "--date", str(FIRST), env=env)
        taken = 1
        for at in range(attempts):
            done = subprocess.run([compband, *attempt(rng, at / attempts)], text=True, capture_output=True, env=env)
            if done.returncode not in (0, 2, 3, 5):
                sys.exit(f"seed {seed}: {done.args}: {done.stderr}")
            taken += done.returncode == 0
        journal = os.path.join(book, "out.journal")
        run(compband, "ledger", "export", "--journal", journal, env=env)
        table = run("hledger", "-f", journal, "balance", "--flat", "--no-total", "-O", "csv", "--empty", "--daily",
                    "--cumulative", "-b", str(FIRST), "-e", str(FIRST + datetime.timedelta(days=DAYS)))
        head, *rows = csv.reader(io.StringIO(table))
        theirs = [defaultdict(Decimal) for _ in head[1:]]
        for account, *amounts in rows:
            for day, amount in zip(theirs, amounts):
                day[":".join(account.split(":")[:2])] += money(amount)
        for day, balances in zip(head[1:], theirs):
            ours = json.loads(run(compband, "ledger", "--json", "--as-of", day[-10:], env=env))
            for name, account in ACCOUNTS.items():
                if balances[account] != Decimal(ours["accounts"][name]):
                    sys.exit(f"seed {seed}, {day}, {account}: {balances[account]} is not our {ours['accounts'][name]}")
            stock = sum(Decimal(deal["paid"]) + Decimal(deal["parts"])
                        for deal in ours["deals"] if deal["state"] == "in stock")
            if stock != balances["Assets:Stock"]:
                sys.exit(f"seed {seed}, {day}: the units in stock cost {stock}, not {balances['Assets:Stock']}")
        return taken, len(theirs)


def main():
    compband = os.path.abspath(sys.argv[1])
    for code, decimals in (("EUR", 2), ("KWD", 3), ("JPY", 0)):
        compare(compband, code, decimals)
    ledgers, attempts = [int(word) for word in (sys.argv[2:] + ["4", "100"][len(sys.argv) - 2:])]
    made = [every_day(compband, seed, attempts) for seed in range(ledgers)]
    entries, days = (sum(column) for column in zip(*made))
    print(f"{ledgers} random ledgers of {entries} entries: hledger agrees on each of {days} days.")


if __name__ == "__main__":
    main()
