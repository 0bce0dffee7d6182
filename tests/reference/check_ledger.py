#!/usr/bin/env python3
"""Has hledger and Ledger read the journals that compband exports, and compares every balance.

usage: check_ledger.py COMPBAND [LEDGERS [ENTRIES]]

COMPBAND is the program. Both readers must be installed (Debian: hledger, ledger); they check the
balance assertions at the end of each journal, and their own sums are held against the accounts in
`compband ledger --json`, to the last coin, for currencies with two, three and no decimals.

Then LEDGERS (default 4) random ledgers of ENTRIES (default 200) attempts each are made by the
program, of all kinds of entries and with days in any order over the turn of a year, and hledger's
balances at the end of every day are held against `compband ledger --as-of DAY`, what its accounts
moved in each year against `compband ledger --year`, and its account of parts against
`compband part list`.
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
    "drawer": "Assets:Parts",
    "overheads": "Expenses:Overheads",
}

# Figures of a year by the accounts that move them, with the sign of a debit.
OF_YEAR = {
    "sales": ("Income:Sales", -1),
    "shipping_paid": ("Income:Shipping", -1),
    "fees": ("Expenses:Fees", 1),
    "sending": ("Expenses:Sending", 1),
    "refunds": ("Expenses:Refunds", 1),
    "cost_of_sales": ("Expenses:Cost of sales", 1),
    "losses": ("Expenses:Losses", 1),
    "overheads": ("Expenses:Overheads", 1),
}
HELD = {"cash": "Assets:Cash", "stock": "Assets:Stock", "parts": "Assets:Parts"}

# Kinds of entries by the command that makes them.
KINDS = {
    "fund": "ledger", "draw": "ledger", "buy": "buy", "spend": "spend", "describe": "ledger", "sold": "sold",
    "scrap": "scrap", "refund": "ledger", "return": "ledger", "reverse": "ledger", "overhead": "ledger",
    "list": "list", "unlist": "unlist", "offer": "list", "part": "part", "use": "part", "drop": "part",
    "harvest": "harvest",
}

# Amounts in units of the coin, so that each currency has its own.
STORY = [
    ["ledger", "fund", 30000, "--date", "2026-01-02"],
    ["buy", "Nulva 61K", "--price", 4217, "--inbound", 503, "--date", "2026-01-05",
     "--note", "a; b | c: d  = 5 @ 3"],
    ["spend", "d1", 1499, "new battery; (2) * pieces", "--minutes", "30", "--date", "2026-01-09"],
    ["buy", "Größe 7; \"wide\" | R:2", "--price", 0, "--date", "2026-01-09"],
    ["buy", "Bolv 83V", "--price", 1201, "--date", "2026-01-11"],
    ["sold", "d1", "--price", 13113, "--shipping", 487, "--fees", 1237, "--sending", 611,
     "--date", "2026-02-01"],
    ["sold", "d2", "--price", 907, "--fees", 91, "--sending", 0, "--date", "2026-02-01"],
    ["ledger", "refund", "d2", 100, "--date", "2026-02-03"],
    ["ledger", "refund", "d1", "--back", "--fees-back", 1001, "--sending", 499, "--date", "2026-02-07"],
    ["scrap", "d3", "--for", 53, "--date", "2026-02-08"],
    ["ledger", "reverse", "10"],
    ["scrap", "d3", "--for", 61, "--date", "2026-02-08"],
    ["ledger", "draw", 2003, "--date", "2026-02-20"],
    ["buy", "Tumrik QN 948", "--price", 3009, "--date", "2026-01-20"],
    ["ledger", "reverse", "14"],
    ["ledger", "overhead", 1250, "packing tape; wide", "--date", "2026-01-21"],
    ["ledger", "overhead", "--km", "24", "--per-km", 31, "flea market", "--date", "2026-01-22"],
    ["buy-lot", "Nulva 61K: grade B", "Bolv 83V x2: parts", "--price", 1001, "--inbound", 100, "--split",
     [500, 251, 250], "--date", "2026-02-21"],
    ["scrap", "d6", "--date", "2026-02-22"],
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


def as_words(word, decimals):
    if isinstance(word, list):
        return "; ".join(typed(one, decimals) for one in word)
    return typed(word, decimals) if isinstance(word, int) else word


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
            words = [as_words(word, decimals) for word in line]
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


FIRST = datetime.date(2025, 11, 15)
DAYS = 90


class Made:
    """What a random ledger has so far: units bought, entries, and what was put up for sale where."""

    def __init__(self):
        self.units, self.entries, self.listed = 0, 0, [("d1", "parcel")]

    def take(self, line):
        if line[0] == "list":
            self.listed.append((line[1], line[line.index("--outlet") + 1]))
        self.units += {"buy": 1, "buy-lot": 3}.get(line[0], 0)
        self.entries += 3 if line[0] == "buy-lot" else 1


def attempt(rng, progress, made):
    """A random command on a ledger, of a day around its progress; the program may refuse it."""
    on = min(max(0, round(DAYS * progress + rng.gauss(0, 8))), DAYS - 1)
    on = str(FIRST + datetime.timedelta(days=on))
    cents = lambda most: rng.randint(0, most)
    money_of = lambda cents: f"{cents / 100:.2f}"
    coin = lambda most: money_of(cents(most))
    deal = f"d{max(1, made.units - rng.randint(0, 7))}"
    part, outlet = rng.choice(["display", "battery"]), rng.choice(["parcel", "doorstep"])
    shares = [cents(5000) for _ in range(3)]
    up, at = rng.choice(made.listed[-4:])
    line = rng.choice([
        lambda: ["ledger", "fund", coin(40000)],
        lambda: ["ledger", "draw", coin(9000)],
        lambda: ["buy", "Bolv 83V", "--price", coin(9000)],
        lambda: ["buy", "Bolv 83V", "--price", coin(9000), "--inbound", coin(500)],
        lambda: ["buy-lot", "Nulva 61K: grade B", "Bolv 83V x2: parts", "--price", money_of(sum(shares)),
                 "--inbound", coin(900), "--split", "; ".join(map(money_of, shares))],
        lambda: ["spend", deal, coin(3000), "part", "--minutes", "5"],
        lambda: ["ledger", "describe", deal, "--parts"],
        lambda: ["ledger", "overhead", coin(2000), "tape", "--minutes", "3"],
        lambda: ["ledger", "overhead", "--km", str(rng.randint(1, 90)), "--per-km", "0.31", "market"],
        lambda: ["sold", deal, "--price", coin(20000), "--fees", coin(2000), "--sending", coin(900)],
        lambda: ["sold", deal, "--price", coin(20000), "--fees", coin(2000), "--sending", coin(900)],
        lambda: ["scrap", deal, "--for", coin(500)],
        lambda: ["ledger", "refund", deal, coin(900)],
        lambda: ["ledger", "refund", deal, coin(900)],
        lambda: ["ledger", "refund", deal, coin(900)],
        lambda: ["ledger", "refund", deal, coin(900)],
        lambda: ["ledger", "refund", deal, "--back", "--fees-back", coin(300), "--sending", coin(500)],
        lambda: ["ledger", "reverse", str(max(1, made.entries - rng.randint(0, 20)))],
        lambda: ["part", "add", part, "--cost", coin(4000), "--count", str(rng.randint(1, 3))],
        lambda: ["part", "add", part, "--cost", coin(4000), "--count", "2", "--fits", "Bolv 83V"],
        lambda: ["part", "use", deal, part],
        lambda: ["part", "use", deal, part],
        lambda: ["part", "drop", part, "--for", coin(100)],
        lambda: ["harvest", deal, f"display = {coin(1800)}; battery x2 = {coin(600)}"],
        lambda: ["list", deal, "--ask", coin(9000), "--outlet", outlet],
        lambda: ["unlist", up, "--outlet", at],
        lambda: ["offer", deal, coin(9000), "--outlet", outlet],
    ])()
    own_day = line[1] == "reverse" and rng.random() < 0.5
    return line if own_day else [*line, "--date", on]


SETTINGS = """currency = "EUR"

[outlets.parcel]
fee = { percent = 10 }

[outlets.doorstep]
"""


def every_day(compband, seed, attempts):
    """A random ledger by the program, and hledger's balances of every day against our own."""
    rng, made = random.Random(seed), Made()
    with tempfile.TemporaryDirectory() as book:
        env = {**os.environ, "COMPBAND_BOOK": book}
        with open(os.path.join(book, "compband.toml"), "w", encoding="utf-8") as settings:
            settings.write(SETTINGS)
        run(compband, "ledger", "fund", "500", "--date", str(FIRST), env=env)
        made.entries = 1
        for at in range(attempts):
            line = attempt(rng, at / attempts, made)
            done = subprocess.run([compband, *line], text=True, capture_output=True, env=env)
            if done.returncode not in (0, 2, 3, 5):
                sys.exit(f"seed {seed}: {done.args}: {done.stderr}")
            if done.returncode == 0:
                made.take(line)
        journal = os.path.join(book, "out.journal")
        run(compband, "ledger", "export", "--journal", journal, env=env)
        last = FIRST + datetime.timedelta(days=DAYS)
        heads, theirs = balances(journal, "--daily", "--cumulative", "-b", str(FIRST), "-e", str(last))
        for day, held in zip(heads, theirs):
            hold_day(compband, env, f"seed {seed}, {day}", day[-10:], held)
        hold_years(compband, env, f"seed {seed}", journal, dict(zip(heads, theirs)))
        listed = subprocess.run([compband, "part", "list", "--json"], text=True, capture_output=True, env=env)
        if listed.returncode == 0:
            parts = sum(Decimal(part["cost"]) for part in json.loads(listed.stdout)["parts"])
            if parts != theirs[-1]["Assets:Parts"]:
                sys.exit(f"seed {seed}: the parts cost {parts}, not {theirs[-1]['Assets:Parts']}")
        with open(os.path.join(book, "deals", "ledger.csv"), encoding="utf-8", newline="") as file:
            kinds = [row["kind"] for row in csv.DictReader(file)]
        return kinds, len(heads)


def balances(journal, *period):
    """The balances of accounts by period, by hledger: the titles of the periods, and a table for each."""
    table = run("hledger", "-f", journal, "balance", "--flat", "--no-total", "-O", "csv", "--empty", *period)
    head, *rows = csv.reader(io.StringIO(table))
    theirs = [defaultdict(Decimal) for _ in head[1:]]
    for account, *amounts in rows:
        for held, amount in zip(theirs, amounts):
            held[":".join(account.split(":")[:2])] += money(amount)
    return head[1:], theirs


def hold_day(compband, env, place, day, held):
    """Our ledger of a day against hledger's balances."""
    ours = json.loads(run(compband, "ledger", "--json", "--as-of", day, env=env))
    for name, account in ACCOUNTS.items():
        if held[account] != Decimal(ours["accounts"][name]):
            sys.exit(f"{place}, {account}: {held[account]} is not our {ours['accounts'][name]}")
    stock = sum(Decimal(deal["paid"]) + Decimal(deal["parts"])
                for deal in ours["deals"] if deal["state"] == "in stock")
    if stock != held["Assets:Stock"]:
        sys.exit(f"{place}: the units in stock cost {stock}, not {held['Assets:Stock']}")
    if Decimal(ours["drawer"]) != held["Assets:Parts"]:
        sys.exit(f"{place}: the drawer holds {ours['drawer']}, not {held['Assets:Parts']}")


def hold_years(compband, env, place, journal, by_day):
    """Our years against what hledger's accounts moved in them, and what they held at their ends."""
    heads, moved = balances(journal, "--yearly")
    years = json.loads(run(compband, "ledger", "--year", "--json", env=env))["years"]
    ours = {str(year["year"]): year for year in years}
    for head, accounts in zip(heads, moved):
        year = ours[head[:4]]
        for name, (account, sign) in OF_YEAR.items():
            if sign * accounts[account] != Decimal(year[name]):
                sys.exit(f"{place}, {head}, {account}: {accounts[account]} is not our {name}, {year[name]}")
        put_in = sum(Decimal(year[name]) for name in ("put_in", "overheads_paid_by_owner"))
        if -accounts["Equity:Capital"] != put_in - Decimal(year["taken_out"]):
            sys.exit(f"{place}, {head}: capital moved by {accounts['Equity:Capital']}")
        held = by_day.get(f"{head[:4]}-12-31", by_day[max(by_day)])
        for name, account in HELD.items():
            if held[account] != Decimal(year[f"{name}_at_end"]):
                sys.exit(f"{place}, {head}, {account}: {held[account]} is not our {year[name + '_at_end']}")


def main():
    compband = os.path.abspath(sys.argv[1])
    for code, decimals in (("EUR", 2), ("KWD", 3), ("JPY", 0)):
        compare(compband, code, decimals)
    ledgers, attempts = [int(word) for word in (sys.argv[2:] + ["4", "200"][len(sys.argv) - 2:])]
    made = [every_day(compband, seed, attempts) for seed in range(ledgers)]
    kinds = [kind for of_ledger, _ in made for kind in of_ledger]
    knows = lambda command: subprocess.run([compband, command, "--help"], capture_output=True).returncode == 0
    never = {kind for kind, command in KINDS.items() if kind not in kinds and knows(command)}
    # Few attempts need not make every kind.
    if never and ledgers * attempts >= 600:
        sys.exit(f"no entry was made of the kinds {', '.join(sorted(never))}")
    days = sum(days for _, days in made)
    print(f"{ledgers} random ledgers of {len(kinds)} entries of {len(set(kinds))} kinds: hledger agrees on each of "
          f"{days} days, and on every year.")


if __name__ == "__main__":
    main()
