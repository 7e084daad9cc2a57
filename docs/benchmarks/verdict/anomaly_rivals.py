"""Two general-purpose anomaly detectors on the daily table that the verdict reads.

    python anomaly_rivals.py OUT FLEET...

OUT is the folder of `verdict_bench score`: each fleet has daily.parquet (features), nights.parquet
(rows, dates and truth) and records/. Needs scikit-learn, pandas, pyarrow.

So that the rivals are no straw men: each column is taken as the difference to the median of the
other meters on the stream that day where it follows the fluid, then to the meter's own median
before the window and since its last recorded swap, over its own robust spread; gas and noise on
variance-stabilising scales; the latest check and as-found zero are given to them too. Windows and
neighbours are all printed; they were settled by a look at one tuning fleet.
fitted_on_seeds = [1]
"""
import sys
import numpy as np
import pandas as pd
import sklearn
from sklearn.ensemble import IsolationForest
from sklearn.metrics import average_precision_score
from sklearn.neighbors import LocalOutlierFactor

SEED = 1
PEER = ["density_kg_m3", "temperature_degc"]
OWN = ["drive_log_low", "pickoff_log_ratio", "zero_stabilities", "partner_span_log"]
WINDOWS = [14, 60]


def load(out, fleet):
    daily = pd.read_parquet(f"{out}/{fleet}/daily.parquet")
    nights = pd.read_parquet(f"{out}/{fleet}/nights.parquet")
    register = pd.read_csv(f"{out}/{fleet}/records/register.csv")
    changes = pd.read_csv(f"{out}/{fleet}/records/changes.csv")
    checks = pd.read_csv(f"{out}/{fleet}/records/checks.csv")
    zeros = pd.read_csv(f"{out}/{fleet}/records/zeros.csv")
    return daily, nights, register, changes, checks, zeros


def columns(daily, register):
    table = daily[["meter", "day"]].copy()
    table["day"] = pd.to_datetime(table["day"])
    stream = register.set_index("meter")["stream"]
    table["stream"] = table["meter"].map(stream)
    for name in PEER:
        by_stream = daily[name].groupby([table["stream"], table["day"]])
        # The meter itself is one of five or more: its pull on the median is small.
        table[name] = daily[name] - by_stream.transform("median")
        table[name] = table[name].where(by_stream.transform("count") >= 4, daily[name])
    for name in OWN:
        table[name] = daily[name]
    table["ln_noise"] = np.log(daily["density_noise_kg_m3"].where(daily["density_noise_kg_m3"] > 0))
    table["gas_angle"] = np.arcsin(np.sqrt(daily["gas_share"].clip(0, 1)))
    return table, PEER + OWN + ["ln_noise", "gas_angle"]


def latest(records, value, as_of):
    seen = records[(records["time"] < as_of) & records[value].notna()]
    return seen.sort_values("time").groupby("meter")[value].agg(lambda v: v.tail(2).mean())


def vectors(parts, window):
    daily, nights, register, changes, checks, zeros = parts
    table, names = columns(daily, register)
    for records in (changes, checks, zeros):
        records["time"] = pd.to_datetime(records["time"], utc=True).dt.tz_localize(None)
    swaps = changes[changes["item"] == "swapped"]
    zeros = zeros[zeros["state"] == "as_found"].merge(register[["meter", "zero_stability_kg_h"]])
    zeros["stabilities"] = zeros["zero_kg_h"] / zeros["zero_stability_kg_h"]
    rows = []
    for as_of in sorted(pd.to_datetime(nights["as_of"]).unique()):
        swap = swaps[swaps["time"] < as_of].groupby("meter")["time"].max()
        before = table[table["day"] < as_of]
        since = pd.to_datetime(before["meter"].map(swap.to_dict()))
        before = before[since.isna() | (before["day"] > since)]
        cut = as_of - pd.Timedelta(days=window)
        old, new = before[before["day"] < cut], before[before["day"] >= cut]
        middle = old.groupby("meter")[names].median()
        spread = 1.4826 * (old.set_index("meter")[names] - middle).abs().groupby("meter").median()
        floor = spread.median() * 0.2
        z = (new.groupby("meter")[names].median() - middle) / spread.clip(lower=floor, axis=1)
        z = z.reindex(register["meter"]).clip(-50, 50)
        z["check"] = latest(checks, "value_pct", as_of).reindex(z.index) / 0.1
        z["zero_found"] = latest(zeros, "stabilities", as_of).reindex(z.index)
        z = np.arcsinh(z.fillna(0.0))
        z["as_of"] = as_of
        rows.append(z.reset_index())
    return pd.concat(rows)


def score(frame, make):
    found = []
    for _, night in frame.groupby("as_of"):
        x = night.drop(columns=["meter", "as_of"]).to_numpy()
        found.append(pd.DataFrame({"meter": night["meter"], "as_of": night["as_of"], "score": make(x)}))
    return pd.concat(found)


def forest(x):
    model = IsolationForest(n_estimators=300, random_state=SEED, n_jobs=1)
    return -model.fit(x).score_samples(x)


def local(neighbours):
    def make(x):
        model = LocalOutlierFactor(n_neighbors=neighbours)
        model.fit(x)
        return -model.negative_outlier_factor_
    return make


def distance(x):
    return np.sqrt((x ** 2).sum(axis=1))


METHODS = {
    "isolation forest": forest,
    "local outlier factor, 20 neighbours": local(20),
    "local outlier factor, 60 neighbours": local(60),
    "length of the vector": distance,
}


def main():
    out, fleets = sys.argv[1], sys.argv[2:]
    print(f"# scikit-learn {sklearn.__version__}, pandas {pd.__version__}, seed {SEED}")
    print("fleet,method,window_d,average_precision")
    for fleet in fleets:
        parts = load(out, fleet)
        nights = parts[1][parts[1]["ranked"]].copy()
        nights["as_of"] = pd.to_datetime(nights["as_of"])
        for window in WINDOWS:
            frame = vectors(parts, window)
            for name, make in METHODS.items():
                joined = nights.merge(score(frame, make), on=["meter", "as_of"])
                value = average_precision_score(joined["faulty"], joined["score"])
                print(f"{fleet},{name},{window},{value:.4f}", flush=True)


if __name__ == "__main__":
    main()
