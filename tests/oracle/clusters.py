"""Mixtures and density-based groups by scikit-learn -> data/mixtures.csv, data/groups.csv."""

import csv

import numpy as np
from sklearn.cluster import DBSCAN
from sklearn.mixture import GaussianMixture

import reference


def mixtures(points):
    for k in [1, 2, 3, 4]:
        model = GaussianMixture(k, covariance_type="full", n_init=10, tol=1e-8, max_iter=2000, random_state=1)
        model.fit(points)
        yield k, "bic", 0, model.bic(points)
        alone = GaussianMixture(k, n_init=10, tol=1e-8, max_iter=5000, random_state=1).fit(points[:, 1:])
        yield k, "bic_waiting", 0, alone.bic(points[:, 1:])
        yield k, "log_likelihood", 0, model.score(points) * len(points)
        order = np.argsort(model.means_[:, 0])
        for i, component in enumerate(order):
            yield k, "weight", i, model.weights_[component]
            yield k, "mean_eruptions", i, model.means_[component, 0]
            yield k, "mean_waiting", i, model.means_[component, 1]


def groups(points):
    scaled = (points - points.mean(axis=0)) / points.std(axis=0)
    fitted = DBSCAN(eps=0.3, min_samples=10).fit(scaled)
    core = set(fitted.core_sample_indices_)
    for i, label in enumerate(fitted.labels_):
        yield i, scaled[i, 0], scaled[i, 1], label, i in core


if __name__ == "__main__":
    with open(reference.DATA / "faithful.csv") as lines:
        points = np.array([[float(cell) for cell in row] for row in list(csv.reader(lines))[1:]])
    reference.write("mixtures.csv", ["k", "measure", "component", "value"], mixtures(points))
    reference.write("groups.csv", ["point", "eruptions", "waiting", "label", "core"], groups(points))
