"""Gaussian densities with correlated noise -> data/likelihoods.csv."""

import numpy as np
from scipy.stats import multivariate_normal

import reference

TIME = np.array([0.0, 5.0, 10.0, 15.0, 20.0, 30.0, 35.0, 45.0])
VALUE = np.array([0.1, -0.2, 0.35, 0.5, 0.1, -0.4, -0.1, 0.3])


def covariance(kind, r, tau):
    apart = np.abs(TIME[:, None] - TIME[None, :])
    if kind == "memory":
        return 0.04 * (np.eye(8) + r * np.exp(-apart / tau))
    return 0.04 * (np.eye(8) + r * np.minimum(TIME[:, None], TIME[None, :]) / tau)


def rows():
    for kind in ["memory", "walk"]:
        for r in [0.5, 2.0, 6.0]:
            for tau in [15.0, 60.0]:
                matrix = covariance(kind, r, tau)
                density = multivariate_normal(np.zeros(8), matrix)
                shape = TIME / 45.0
                inverse = np.linalg.inv(matrix)
                squares = shape @ inverse @ shape
                amplitude = shape @ inverse @ VALUE / squares
                yield kind, r, tau, "log_density", density.logpdf(VALUE)
                yield kind, r, tau, "log_det", np.linalg.slogdet(matrix)[1]
                yield kind, r, tau, "amplitude", amplitude
                yield kind, r, tau, "standard_error", squares**-0.5
                yield kind, r, tau, "log_density_less_shape", density.logpdf(VALUE - amplitude * shape)


if __name__ == "__main__":
    reference.write("likelihoods.csv", ["kind", "r", "tau", "measure", "value"], rows())
