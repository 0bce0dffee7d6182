"""What the scripts of this folder share: writing a reference file, or checking the one that is there."""

import argparse
import json
import math
import sys
from pathlib import Path

HERE = Path(__file__).resolve().parent
RELATIVE = 1e-6
ABSOLUTE = 1e-9


def wants_check(about):
    """Whether the script was called with `--check`."""
    parser = argparse.ArgumentParser(description=about)
    parser.add_argument(
        "--check", action="store_true", help="compare with the committed files instead of writing them"
    )
    return parser.parse_args().check


def differences(found, expected, place=""):
    """Where two JSON values differ, numbers by more than the tolerance."""
    if isinstance(expected, dict) and isinstance(found, dict):
        for key in sorted(found.keys() | expected.keys()):
            if key not in found or key not in expected:
                yield f"{place}.{key}: on one side only"
            else:
                yield from differences(found[key], expected[key], f"{place}.{key}")
    elif isinstance(expected, list) and isinstance(found, list):
        if len(found) != len(expected):
            yield f"{place}: {len(found)} values in the file, {len(expected)} computed"
        for at, pair in enumerate(zip(found, expected)):
            yield from differences(*pair, f"{place}[{at}]")
    elif _is_number(found) and _is_number(expected):
        if not math.isclose(found, expected, rel_tol=RELATIVE, abs_tol=ABSOLUTE):
            yield f"{place}: {found!r} in the file, {expected!r} computed"
    elif found != expected:
        yield f"{place}: {found!r} in the file, {expected!r} computed"


def _is_number(value):
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def settle_json(name, values, check):
    """Writes `values` to the file `name`, or compares them with it."""
    path = HERE / name
    if not check:
        path.write_text(json.dumps(values, indent=1) + "\n", encoding="utf-8")
        print(f"{name}: written")
        return
    committed = json.loads(path.read_text(encoding="utf-8"))
    _report(name, list(differences(committed, json.loads(json.dumps(values)), "")))


def settle_text(name, text, check):
    """Writes `text` to the file `name`, or compares it with it, letter by letter."""
    path = HERE / name
    if not check:
        path.write_text(text, encoding="utf-8")
        print(f"{name}: written")
        return
    committed = path.read_text(encoding="utf-8").splitlines()
    computed = text.splitlines()
    found = [f" line {at}: {a!r} in the file, {b!r} computed"
             for at, (a, b) in enumerate(zip(committed, computed), 1) if a != b]
    if len(committed) != len(computed):
        found.append(f" {len(committed)} lines in the file, {len(computed)} computed")
    _report(name, found)


def demand(holds, what):
    """Ends the run with status 1 where a check does not hold."""
    if not holds:
        sys.exit(f"does not hold: {what}")


def _report(name, found):
    if found:
        sys.exit("\n".join(f"{name}{difference}" for difference in found))
    print(f"{name}: as committed")
