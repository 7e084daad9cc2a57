"""Ridge on stackloss by solving the penalised normal equations -> data/ridge.csv."""

import csv

import numpy as np
from scipy import optimize
from statsmodels.robust.scale import mad

import reference

RIDGE = np.array([0.0, 40.0, 10.0, 25.0])


def robust(x, y, bend):
    """Huber loss with its own MAD scale, by minimising at a fixed scale until that stands still."""
    b = np.linalg.lstsq(x, y, rcond=None)[0]
    for _ in range(500):
        scale = mad(y - x @ b, center=0)

        def slope(b):
            r = y - x @ b
            return -x.T @ np.clip(r, -bend * scale, bend * scale) + RIDGE * b

        fresh = optimize.root(slope, b, tol=1e-14).x
        if np.max(np.abs(fresh - b)) < 1e-12:
            return fresh, scale
        b = fresh
    raise RuntimeError("the scale never stood still")


def rows():
    with open(reference.DATA / "stackloss.csv") as lines:
        table = np.array([[float(c) for c in row] for row in list(csv.reader(lines))[1:]])
    y, x = table[:, 0], np.column_stack([np.ones(len(table)), table[:, 1:]])
    normal = x.T @ x + np.diag(RIDGE)
    b = np.linalg.solve(normal, x.T @ y)
    scale = mad(y - x @ b, center=0)
    for j in range(4):
        yield "plain", "coefficient", j, b[j]
        yield "plain", "variance", j, scale**2 * np.linalg.inv(normal)[j, j]
    yield "plain", "scale", 0, scale
    b, scale = robust(x, y, 1.345)
    for j in range(4):
        yield "huber", "coefficient", j, b[j]
    yield "huber", "scale", 0, scale


if __name__ == "__main__":
    reference.write("ridge.csv", ["fit", "measure", "column", "value"], rows())
