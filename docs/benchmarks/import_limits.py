"""Reading dumps, each beside the limit that it cannot pass, in one run.

  cargo build --release --workspace --examples --bin metersift
  python docs/benchmarks/import_limits.py target/release 10000000 > result.csv

Plain long dump: beside merely splitting the same bytes and parsing their numbers and times, from
memory, on all cores. gzip and zstd: beside unpacking into nothing on one thread. Wide dump of
20,000 columns: cells a second. Then the whole import of a long dump into a new store. Of three
rounds the median counts, of the limits the better one. Columns: what, figure, unit, of_limit, load.
"""
import os
import re
import shutil
import statistics
import subprocess
import sys
import tempfile
import time


def out(command):
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def tell(what, figure, unit, limit=None):
    share = "" if limit is None else f"{figure / limit:.2f}"
    print(f"{what},{figure:.1f},{unit},{share},{os.getloadavg()[0]:.1f}", flush=True)


def speeds(text, pattern):
    return [float(found) for found in re.findall(pattern, text)]


def reading(examples, rows, packing):
    text = out([f"{examples}/parse_speed", str(rows)] + ([packing] if packing != "plain" else []))
    limit = max(speeds(text, r"alone: .*?([0-9.]+) MB/s"))
    mb_s = statistics.median(speeds(text, r"text in .* ([0-9.]+) MB/s"))
    rows_s = statistics.median(speeds(text, r"([0-9.]+) M readings/s"))
    name = {"plain": "split and parse alone"}.get(packing, f"{packing} unpacked alone")
    tell(name, limit, "MB/s of text")
    tell(f"{packing} dump read", mb_s, "MB/s of text", limit)
    tell(f"{packing} dump read", rows_s, "million rows/s")
    return limit


def wide(examples):
    text = [out([f"{examples}/wide_dump", "20000", "3000"]) for _ in range(3)]
    tell("wide dump read", statistics.median(speeds(" ".join(text), r"([0-9.]+) million cells/s")),
         "million cells/s")


def whole(release, rows, limit):
    site = tempfile.mkdtemp()
    try:
        out([f"{release}/examples/long_dump", site, str(rows)])
        size = os.path.getsize(f"{site}/dumps/long.csv")
        rounds = []
        for _ in range(3):
            shutil.rmtree(f"{site}/store", ignore_errors=True)
            begin = time.time()
            out([f"{release}/metersift", "import", "--site", site])
            rounds.append(time.time() - begin)
        seconds = statistics.median(rounds)
        tell("long dump imported", size / seconds / 1e6, "MB/s of text", limit)
        tell("long dump imported", rows / seconds / 1e6, "million rows/s")
    finally:
        shutil.rmtree(site)


def main():
    release, rows = sys.argv[1], int(sys.argv[2])
    examples = f"{release}/examples"
    print("what,figure,unit,of_limit,load")
    limit = reading(examples, rows, "plain")
    reading(examples, rows, "gzip")
    reading(examples, rows, "zstd")
    wide(examples)
    whole(release, rows, limit)


if __name__ == "__main__":
    main()
