"""Import benchmark: metersift against general-purpose engines on the same dump, in one run.

  cargo run --release -p metersift-cli --example long_dump -- bench-site 50000000
  python docs/benchmarks/import_rivals.py target/release/metersift bench-site > result.csv

Each engine reads the CSV, sorts by (tag, time) and writes zstd Parquet. metersift also converts
units, removes duplicates, hashes, verifies and keeps a ledger. Needs the packages duckdb and
polars; each engine runs in a process of its own. By the clock on a quiet machine only; beside other
work processor time (user and system, all threads) can be compared. Columns: engine, wall_s,
processor_s, rows_per_s, peak_mib, bytes, load.
"""
import os
import pathlib
import shutil
import subprocess
import sys
import time

DUCKDB = """
import duckdb, sys
con = duckdb.connect()
con.execute("SET threads TO 2")
con.execute(f"COPY (SELECT * FROM read_csv('{sys.argv[1]}') ORDER BY tag, time) TO '{sys.argv[2]}' (FORMAT parquet, COMPRESSION zstd)")
"""
POLARS = """
import polars as pl, sys
pl.scan_csv(sys.argv[1], try_parse_dates=True).sort("tag", "time").sink_parquet(sys.argv[2], compression="zstd")
"""


def measure(name, command, rows, sizes, **kw):
    start = time.time()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **kw)
    _, status, usage = os.wait4(child.pid, 0)
    wall = time.time() - start
    ok = os.waitstatus_to_exitcode(status) == 0
    spent, size = usage.ru_utime + usage.ru_stime, sizes() if ok else "failed"
    print(f"{name},{wall:.2f},{spent:.2f},{rows / wall:.0f},{usage.ru_maxrss / 1024:.0f},{size},"
          f"{os.getloadavg()[0]:.1f}", flush=True)


def size_of(path):
    path = pathlib.Path(path)
    return path.stat().st_size if path.is_file() else sum(p.stat().st_size for p in path.rglob("*.parquet"))


def main():
    binary, site = sys.argv[1], pathlib.Path(sys.argv[2])
    dump = site / "dumps" / "long.csv"
    with open(dump, "rb") as file:
        rows = sum(block.count(b"\n") for block in iter(lambda: file.read(1 << 22), b"")) - 1
    print("engine,wall_s,processor_s,rows_per_s,peak_mib,bytes,load")
    shutil.rmtree(site / "store", ignore_errors=True)
    measure("metersift", [binary, "import", "--site", str(site)], rows, lambda: size_of(site / "store" / "samples"))
    for name, script in (("duckdb", DUCKDB), ("polars", POLARS)):
        out = site / f"{name}.parquet"
        env = {**os.environ, "POLARS_MAX_THREADS": "2"}
        measure(name, [sys.executable, "-c", script, str(dump), str(out)], rows, lambda: size_of(out), env=env)
        out.unlink(missing_ok=True)


if __name__ == "__main__":
    main()
