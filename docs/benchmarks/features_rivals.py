"""Features benchmark: metersift against general-purpose engines on the same day files, in one run.

  cargo run --release -p metersift-cli --example long_dump -- bench-site 50000000
  target/release/metersift import --site bench-site
  python docs/benchmarks/features_rivals.py target/release/metersift bench-site > result.csv

metersift computes all features, the hour table, keys and receipts, and writes them. The engines
compute the part that they can express: per day, meter and signal the count, the mean, the standard
deviation, three quantiles, the median absolute deviation, the number of steps that are not zero and
the median step. Each engine gets two threads and a process of its own; peak memory is that of the
process. Three rounds in turn, so that whatever else the machine does falls on all of them; on a
shared machine the processor time tells more than the clock. Needs the packages duckdb and polars.
Columns: round, engine, wall_s, cpu_s, samples_per_s (by the clock), peak_mib, load (at the end).
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
con.execute(f'''COPY (
  WITH s AS (
    SELECT day, meter, signal, value,
      abs(value - lag(value) OVER (PARTITION BY day, meter, signal ORDER BY time)) AS step
    FROM read_parquet('{sys.argv[1]}/*/*.parquet', hive_partitioning = true))
  SELECT day, meter, signal, count(*) n, avg(value) mean, stddev(value) sd,
    quantile_cont(value, 0.05) q05, median(value) q50, quantile_cont(value, 0.95) q95, mad(value) mad,
    count(*) FILTER (step > 0) steps, median(step) FILTER (step > 0) step
  FROM s GROUP BY day, meter, signal ORDER BY day, meter, signal
) TO '{sys.argv[2]}' (FORMAT parquet, COMPRESSION zstd)''')
"""
POLARS = """
import polars as pl, sys
v, d = pl.col("value"), pl.col("step")
keys = ["day", "meter", "signal"]
(pl.scan_parquet(sys.argv[1] + "/*/*.parquet", hive_partitioning=True)
  .with_columns(pl.col("meter").cast(pl.String), pl.col("signal").cast(pl.String))
  .with_columns(step=v.diff().abs().over(keys))
  .group_by(keys)
  .agg(n=pl.len(), mean=v.mean(), sd=v.std(), q05=v.quantile(0.05, "linear"), q50=v.median(),
       q95=v.quantile(0.95, "linear"), mad=(v - v.median()).abs().median(),
       steps=(d > 0).sum(), step_=d.filter(d > 0).median())
  .sort(keys).sink_parquet(sys.argv[2], compression="zstd"))
"""


def measure(name, command, samples, **kw):
    start = time.time()
    child = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, **kw)
    _, status, usage = os.wait4(child.pid, 0)
    wall = time.time() - start
    ok = os.waitstatus_to_exitcode(status) == 0
    rate = f"{samples / wall:.0f}" if ok else "failed"
    cpu, load = usage.ru_utime + usage.ru_stime, os.getloadavg()[0]
    print(f"{name},{wall:.2f},{cpu:.2f},{rate},{usage.ru_maxrss / 1024:.0f},{load:.1f}", flush=True)


def main():
    binary, site = sys.argv[1], pathlib.Path(sys.argv[2])
    import duckdb

    files = str(site / "store" / "samples")
    samples = duckdb.sql(f"SELECT count(*) FROM read_parquet('{files}/*/*.parquet')").fetchall()[0][0]
    print("round,engine,wall_s,cpu_s,samples_per_s,peak_mib,load")
    env = {**os.environ, "POLARS_MAX_THREADS": "2", "RAYON_NUM_THREADS": "2"}
    for turn in range(1, 4):
        for folder in ("daily", "hours"):
            shutil.rmtree(site / "store" / folder, ignore_errors=True)
        command = [binary, "features", "--site", str(site), "--threads", "2"]
        measure(f"{turn},metersift", command, samples, env=env)
        for name, script in (("duckdb", DUCKDB), ("polars", POLARS)):
            out = site / f"{name}.parquet"
            measure(f"{turn},{name}", [sys.executable, "-c", script, files, str(out)], samples, env=env)
            out.unlink(missing_ok=True)


if __name__ == "__main__":
    main()
