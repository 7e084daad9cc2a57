"""Small things that every reference script here shares."""

import csv
import pathlib

DATA = pathlib.Path(__file__).parent / "data"


def number(value):
    """The shortest text that gives the same f64 back (at most 17 digits)."""
    return value if isinstance(value, str) else repr(float(value)).removesuffix(".0")


def write(name, header, rows):
    with open(DATA / name, "w", newline="") as out:
        table = csv.writer(out, lineterminator="\n")
        table.writerow(header)
        for row in rows:
            table.writerow([number(cell) for cell in row])


def column(name):
    """The first column after the header, as the Rust tests read it."""
    with open(DATA / name) as lines:
        return [float(line.split(",")[0]) for line in list(lines)[1:]]


def minimal_standard(count):
    """The 1000-point set of NIST SP 1065, p. 107: n -> 16807 n mod 2147483647."""
    values, word = [], 1234567890
    for _ in range(count):
        values.append(word / 2147483647)
        word = 16807 * word % 2147483647
    return values
