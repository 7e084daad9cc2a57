"""Opens the lists of a night as people do: pandas, openpyxl, pyarrow.

    python tables.py SPECIMENS OUT_AS_OF

SPECIMENS is the folder that the test `specimens` of the report room fills, OUT_AS_OF a night's
folder. Every broken rule is one line, and the exit code is 1.
"""

import json
import math
import sys
from pathlib import Path

import openpyxl
import pandas as pd
import pyarrow.parquet as pq
from openpyxl.utils.escape import unescape

SHEETS = [
    "Pull or open up", "Clean", "Check now", "Take an as-found zero", "Gas in the process",
    "Electrical", "Mend the data", "Unexplained", "Not judged", "About",
]
NUMBERS = ["rank", "probability", "severity", "severity_low", "days_left", "expected_cost", "n_judged"]
FORMULA = ("=", "+", "-", "@", "\t", "\r")

broken = []


def rule(holds, what):
    if not holds:
        broken.append(what)


def hostile_workbook(folder):
    strings = json.loads((folder / "hostile.json").read_text(encoding="utf-8"))
    book = openpyxl.load_workbook(folder / "hostile.xlsx")
    rule(book.sheetnames == SHEETS, f"sheets are {book.sheetnames}")
    names = set()
    for sheet in book.worksheets:
        rule(sheet.freeze_panes == "A3", f"{sheet.title}: header frozen at {sheet.freeze_panes}")
        for row in sheet.iter_rows():
            for cell in row:
                rule(cell.data_type != "f", f"{sheet.title} {cell.coordinate} is a formula")
                rule(cell.hyperlink is None, f"{sheet.title} {cell.coordinate} is a link")
        if sheet.title not in ("About", "Not judged"):
            head = [cell.value for cell in sheet[2]]
            values = [row[head.index("meter")].value or "" for row in sheet.iter_rows(min_row=3)]
            # The reader takes the escape of an escape back by itself, and no other.
            names |= set(values) | set(map(unescape, values))
            widths = [sheet.column_dimensions[column].width for column in "ABCD"]
            rule(all(width and width > 4 for width in widths), f"{sheet.title}: widths {widths}")
    missing = set(strings) - names
    rule(not missing, f"names that did not come back from the workbook: {sorted(missing)!r}")


def formats(out):
    book = openpyxl.load_workbook(out / "lists/watch-list.xlsx")
    seen = 0
    for sheet in book.worksheets[:8]:
        head = [cell.value for cell in sheet[2]]
        for row in sheet.iter_rows(min_row=3):
            cells = dict(zip(head, row))
            chance = cells["probability"]
            if chance.value is not None:
                seen += 1
                rule(isinstance(chance.value, float), f"{sheet.title}: probability {chance.value!r}")
                rule(chance.number_format == "0%", f"{sheet.title}: format {chance.number_format}")
                rule(0 <= chance.value <= 0.99, f"{sheet.title}: probability {chance.value}")
    rule(seen > 0, "no probability in any sheet: was the workbook read?")
    judged = book["Not judged"]
    rule([c.value for c in judged[2]] == ["meter", "reason"], "sheet `Not judged` has other columns")


def same(a, b):
    if isinstance(a, float) and isinstance(b, float):
        return a == b or (math.isnan(a) and math.isnan(b))
    return (a == b) or (pd.isna(a) and pd.isna(b))


def tables(out):
    lists = out / "lists"
    parquet = pq.read_table(lists / "watch-list.parquet")
    comma = pd.read_csv(lists / "watch-list.csv", keep_default_na=True)
    semicolon = pd.read_csv(lists / "watch-list-semicolon.csv", sep=";", decimal=",")
    lines = [json.loads(line) for line in (lists / "watch-list.jsonl").read_text("utf-8").splitlines()]
    columns = parquet.column_names
    rule(len(lines) == parquet.num_rows == len(comma) == len(semicolon) > 0, "row counts differ")
    own = [name for name in comma.columns if name not in ("run", "config", "ledger")]
    rule(own == columns, "CSV has other columns than Parquet")
    place = list(comma.columns).index("run")
    rule(comma.columns[place - 1] == "n_blind", "the names of the run do not stand behind n_blind")
    rule(list(semicolon.columns) == list(comma.columns), "the flavours have other columns")
    for line in lines:
        rule(line["schema_version"] == 1, "schema_version is missing")
        rule([k for k in line if k in columns] == columns, "JSON Lines has another order")
    for name in NUMBERS:
        for frame, what in [(comma, "csv"), (semicolon, "semicolon csv")]:
            rule(pd.api.types.is_numeric_dtype(frame[name]), f"{what}: {name} is {frame[name].dtype}")
        wanted = parquet.column(name).to_pylist()
        for frame, what in [(comma, "csv"), (semicolon, "semicolon csv")]:
            pairs = zip(wanted, frame[name].tolist())
            rule(
                all((a is None and pd.isna(b)) or a == b for a, b in pairs),
                f"{what}: {name} is not the number in Parquet",
            )
    for name in ["meter", "evidence", "next_step", "changed_because"]:
        cells = comma[name].dropna().tolist()
        rule(not any(cell.startswith(FORMULA) for cell in cells), f"{name}: a cell begins a formula")
    for name, unit in [("days_left", b"d")]:
        field = parquet.schema.field(name)
        rule((field.metadata or {}).get(b"unit") == unit, f"{name} has no unit in its metadata")
    metadata = pq.read_metadata(lists / "watch-list.parquet").metadata or {}
    rule(b"metersift.run" in metadata, "Parquet does not name its run")
    raw = (lists / "watch-list-semicolon.csv").read_bytes()
    rule(raw.startswith(b"\xef\xbb\xbf"), "the spreadsheet flavour has no byte order mark")


def main():
    specimens, out = map(Path, sys.argv[1:3])
    hostile_workbook(specimens)
    formats(out)
    tables(out)
    for line in dict.fromkeys(broken):
        print(f"broken: {line}")
    print(f"tables of {out.name}: {'broken' if broken else 'as documented'}")
    return 1 if broken else 0


if __name__ == "__main__":
    sys.exit(main())
