"""Series statistics by independent programs -> data/series.csv (set, measure, argument, value)."""

import allantools
import numpy as np
import pymannkendall
from scipy import stats
from statsmodels.robust.scale import mad
from statsmodels.stats.stattools import medcouple
from statsmodels.tsa.stattools import acf

import reference


def describe(name, values):
    values = np.asarray(values, float)
    yield name, "mean", 0, np.mean(values)
    yield name, "sd", 0, np.std(values, ddof=1)
    yield name, "median", 0, np.median(values)
    yield name, "mad", 0, mad(values, c=1)
    for p in [0.01, 0.05, 0.25, 0.5, 0.75, 0.95, 0.999]:
        for kind, method in [(5, "hazen"), (6, "weibull"), (7, "linear"), (8, "median_unbiased")]:
            yield name, f"quantile{kind}", p, np.quantile(values, p, method=method)


def allan(name, values):
    for measure, function in [("allan", allantools.adev), ("overlapping_allan", allantools.oadev)]:
        taus, deviations, _, counts = function(
            values, rate=1.0, data_type="freq", taus=[1, 2, 4, 8, 10, 16, 32, 64, 100]
        )
        for tau, deviation, count in zip(taus, deviations, counts):
            yield name, measure, tau, deviation
            yield name, measure + "_n", tau, count


def trend(name, values):
    test = pymannkendall.original_test(values)
    yield name, "kendall_s", 0, test.s
    yield name, "kendall_var", 0, test.var_s
    yield name, "kendall_z", 0, test.z
    yield name, "kendall_p", 0, test.p
    yield name, "sen_slope", 0, test.slope
    yield name, "tau_b", 0, stats.kendalltau(range(len(values)), values).statistic
    yield name, "sen_intercept_at_medians", 0, stats.theilslopes(values, np.arange(len(values)), method="separate")[1]


def corrected_trend(name, values):
    """Mann-Kendall after each correction; argument: largest lag, 0 = all."""
    for lag in [0, 1, 3]:
        for measure, function in [
            ("hamed_rao", pymannkendall.hamed_rao_modification_test),
            ("yue_wang", pymannkendall.yue_wang_modification_test),
        ]:
            test = function(values, lag=lag or None)
            yield name, measure + "_var", lag, test.var_s
            yield name, measure + "_z", lag, test.z
    for measure, function in [
        ("pre_whitened", pymannkendall.pre_whitening_modification_test),
        ("trend_free", pymannkendall.trend_free_pre_whitening_modification_test),
    ]:
        test = function(values)
        yield name, measure + "_s", 0, test.s
        yield name, measure + "_z", 0, test.z


def autocorrelation(name, values):
    for lag, value in enumerate(acf(np.asarray(values, float), nlags=6, fft=False)):
        yield name, "autocorrelation", lag, value


def qn_raw(values):
    """Qn by sorting every pairwise distance, times robustbase's constant."""
    values = np.asarray(values, float)
    first, second = np.triu_indices(len(values), 1)
    half = len(values) // 2 + 1
    return 2.21914 * np.sort(np.abs(values[first] - values[second]))[half * (half - 1) // 2 - 1]


def rows():
    nile = reference.column("nile.csv")
    standard = reference.minimal_standard(1000)
    tied = [2, 1, 2, 2, 3, 3, 5, 4, 4, 6]
    for name, values in [("nile", nile), ("sp1065", standard), ("tied", tied)]:
        yield from describe(name, values)
    yield from allan("sp1065", np.array(standard))
    for name, values in [("nile", nile), ("tied", tied), ("sp1065", standard[:150])]:
        yield from trend(name, values)
        yield from corrected_trend(name, values)
        yield from autocorrelation(name, values)
    for name in ["lew", "lottery", "mavro", "michelso", "nile", "faithful"]:
        values = reference.column(name + ".csv")
        yield name, "medcouple", 0, medcouple(values)
        yield name, "qn_raw", 0, qn_raw(values)
        yield from autocorrelation(name, values) if name != "nile" else iter(())
    a, b = standard[:60], [round(10 * v) for v in standard[60:120]]
    yield "sp1065", "pearson", 60, stats.pearsonr(a, b).statistic
    yield "sp1065", "spearman", 60, stats.spearmanr(a, b).statistic


if __name__ == "__main__":
    reference.write("series.csv", ["set", "measure", "argument", "value"], rows())
