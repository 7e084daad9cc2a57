"""Figures over several fleets, from the lines that `verdict_bench score` prints.

    python summary.py OUT scores.csv

Means over fleets with the smallest and largest; rates and coverage from pooled counts; calibration
from the pooled rows of OUT/FLEET/nights.parquet. Needs pandas, pyarrow, scikit-learn.
"""
import sys
import numpy as np
import pandas as pd


def pooled_calibration(out, fleets):
    rows = pd.concat([pd.read_parquet(f"{out}/{fleet}/nights.parquet") for fleet in fleets])
    rows = rows[rows["ranked"] & rows["fault_probability"].notna()]
    p, y = rows["fault_probability"].to_numpy(), rows["faulty"].to_numpy().astype(float)
    bins = np.minimum((p * 10).astype(int), 9)
    table = pd.DataFrame({"bin": bins, "p": p, "y": y}).groupby("bin").agg(
        n=("p", "size"), stated=("p", "mean"), seen=("y", "mean"))
    error = float((table["n"] * (table["stated"] - table["seen"]).abs()).sum() / len(p))
    up = p >= 0.05
    raised = table_error(p[up], y[up])
    return table, error, raised, float(((p - y) ** 2).mean()), float(y.mean() * (1 - y.mean()))


def table_error(p, y):
    bins = np.minimum((p * 10).astype(int), 9)
    table = pd.DataFrame({"bin": bins, "p": p, "y": y}).groupby("bin").agg(
        n=("p", "size"), stated=("p", "mean"), seen=("y", "mean"))
    return float((table["n"] * (table["stated"] - table["seen"]).abs()).sum() / len(p))


def main():
    out, scores = sys.argv[1], pd.read_csv(sys.argv[2], comment="#")
    fleets = list(dict.fromkeys(scores["fleet"]))
    for method, rows in scores.groupby("method", sort=False):
        ap = rows["ap"]
        months = rows["meter_months"].sum()
        false = rows["false_entries"].sum()
        leads = rows["median_lead_d"].replace([-np.inf], np.nan)
        print(
            f"{method}: average precision {ap.mean():.3f} ({ap.min():.3f}..{ap.max():.3f}), "
            f"recall at n {rows['recall_at_n'].mean():.3f}, precision at 10 {rows['p_at_10'].mean():.3f}, "
            f"found {rows['found'].sum()} of {rows['faults'].sum()}, "
            f"limits reached {rows['limits'].sum()}, listed before {rows['before_limit'].sum()}, "
            f"median of median leads {leads.median():.1f} d, "
            f"false entries {false} in {months:.0f} meter-months = {100 * false / months:.3f} per 100, "
            f"mode right {rows['mode_right'].mean():.3f}"
        )
    ours = scores[scores["method"] == "verdict"].set_index("fleet")["ap"]
    for name in dict.fromkeys(m for m in scores["method"] if m.startswith("ceiling")):
        ratio = ours / scores[scores["method"] == name].set_index("fleet")["ap"]
        print(f"share of the {name}: {ratio.mean():.3f} ({ratio.min():.3f}..{ratio.max():.3f})")
    verdict = scores[scores["method"] == "verdict"]
    scored, covered = verdict["limit_scored"].sum(), verdict["limit_covered"].sum()
    print(f"days left: {covered:.0f} of {scored:.0f} listed nights covered, {verdict['limit_meters'].sum():.0f} meters")
    kinds = {}
    for text in verdict["worst_confounder"].dropna():
        words = text.split()
        name = []
        for word in words:
            if word.isdigit():
                kinds[" ".join(name)] = kinds.get(" ".join(name), 0) + int(word)
                name = []
            else:
                name.append(word)
    print("false entries by what was there:", kinds)
    table, error, raised, brier, base = pooled_calibration(out, fleets)
    print(f"calibration error {error:.4f}, over 5 % and more {raised:.3f}, Brier {brier:.4f} (base rate {base:.4f})")
    print(table.round(3).to_string())


if __name__ == "__main__":
    main()
