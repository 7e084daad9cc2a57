"""Reading and importing dumps, each beside the limit that it cannot pass, in one run.

  cargo build --release --workspace --examples --bin metersift
  python docs/benchmarks/import_limits.py target/release 10000000 > result.csv

Limits of a plain long dump, from memory, one thread per core (crates/import/examples/parse_speed.rs):

- `split, numbers and digits of times`: split at delimiters, numbers read, the digits of times added
  up; nothing is looked up, checked or kept;
- `split and all parsed into columns`: the same with times as instants, tags looked up in a HashMap
  of the standard library, the quality read, all of it pushed into columns.

Limit of a gzip or zstd dump: unpacked into nothing on one thread. Wide dump of 20,000 columns: cells
a second. Then the whole import of a long dump into a new store, beside both limits of a plain dump.

Of three rounds the median counts, of the limits the better one. By the clock on a quiet machine
only; beside other work processor time can be compared (user and system, all threads). Columns:
what; MB of text a second; processor ms per MB; beside; share of that limit by the clock; share by
processor time: of a packed dump what these times allow at most on this machine's cores, where
unpacking takes one of them; load.
"""
import csv
import os
import re
import resource
import shutil
import statistics
import subprocess
import sys
import tempfile
import time

SPEED = re.compile(
    r"^(.*?): (?:\d+ readings, [\d.]+ M readings/s, )?(\d+) bytes of text in ([\d.]+) s: "
    r"([\d.]+) MB/s(?:, ([\d.]+) processor s, ([\d.]+) ms/MB)?", re.M)


def out(command):
    return subprocess.run(command, check=True, capture_output=True, text=True).stdout


def row(*cells):
    csv.writer(sys.stdout, lineterminator="\n").writerow(cells + (f"{os.getloadavg()[0]:.1f}",))
    sys.stdout.flush()


def tell(what, mb_s, ms_per_mb, beside="", by_clock=None, by_processor=None):
    share = lambda value: "" if value is None else f"{value:.2f}"
    row(what, f"{mb_s:.0f}", f"{ms_per_mb:.2f}", beside, share(by_clock), share(by_processor))


def speeds(text):
    """MB/s and processor ms per MB of each round, by name."""
    found = {}
    for name, _, _, mb_s, _, ms in SPEED.findall(text):
        name = "read" if name.startswith("round") else name
        found.setdefault(name, []).append((float(mb_s), float(ms or "nan")))
    return found


def best(rounds):
    return max(mb_s for mb_s, _ in rounds), min(ms for _, ms in rounds)


def median(rounds):
    return statistics.median(mb_s for mb_s, _ in rounds), statistics.median(ms for _, ms in rounds)


def reading(examples, rows, packing):
    words = [] if packing == "plain" else [packing]
    found = speeds(out([f"{examples}/parse_speed", str(rows)] + words))
    mb_s, ms = median(found.pop("read"))
    limits = {name: best(rounds) for name, rounds in found.items()}
    for name, (limit_mb_s, limit_ms) in limits.items():
        tell(name, limit_mb_s, limit_ms)
        on_all = limit_ms / ms
        on_one = limit_ms / max(limit_ms, ms / os.cpu_count())
        tell(f"{packing} dump read", mb_s, ms, name, mb_s / limit_mb_s,
             on_all if packing == "plain" else on_one)
    return limits


def wide(examples):
    text = " ".join(out([f"{examples}/wide_dump", "20000", "3000"]) for _ in range(3))
    cells = statistics.median(float(n) for n in re.findall(r"([0-9.]+) million cells/s", text))
    row(f"wide dump read: {cells:.1f} million cells/s", "", "", "", "", "")


def whole(release, rows, limits):
    site = tempfile.mkdtemp()
    try:
        out([f"{release}/examples/long_dump", site, str(rows)])
        size = os.path.getsize(f"{site}/dumps/long.csv") / 1e6
        # A file that has just been written is not taken on its looks.
        time.sleep(3)
        rounds = []
        for _ in range(3):
            shutil.rmtree(f"{site}/store", ignore_errors=True)
            begin, before = time.time(), resource.getrusage(resource.RUSAGE_CHILDREN)
            out([f"{release}/metersift", "import", "--site", site])
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            rounds.append((size / (time.time() - begin), spent * 1e3 / size))
        mb_s, ms = median(rounds)
        for name, (limit_mb_s, limit_ms) in limits.items():
            tell("long dump imported", mb_s, ms, name, mb_s / limit_mb_s, limit_ms / ms)
    finally:
        shutil.rmtree(site)


def main():
    release, rows = sys.argv[1], int(sys.argv[2])
    examples = f"{release}/examples"
    print("what,mb_s,processor_ms_per_mb,beside,share_by_clock,share_by_processor,load")
    limits = reading(examples, rows, "plain")
    reading(examples, rows, "gzip")
    reading(examples, rows, "zstd")
    wide(examples)
    whole(release, rows, limits)


if __name__ == "__main__":
    main()
