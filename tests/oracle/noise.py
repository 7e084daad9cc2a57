"""The rounding-corrected step noise, written a second time from its description -> data/noise.csv.

Other means than the Rust kernel: whole-number steps in a histogram, the fixed point by root
finding instead of iteration, the share of equal neighbours by numerical integration.
"""

from collections import Counter

import numpy as np
from scipy import integrate, optimize, special, stats

import reference

SIGMA = 1.0


def equal_share(resolution, sigma):
    density = stats.norm(0, sigma * np.sqrt(2)).pdf
    overlap = lambda d: (1 - d / resolution) * density(d)
    return 2 * integrate.quad(overlap, 0, resolution, epsabs=1e-14, epsrel=1e-13)[0]


def binned_median(counts, zeros, resolution):
    total = zeros + sum(counts.values())
    left = total / 2
    if left <= zeros:
        return left / zeros * resolution / 2
    left -= zeros
    for multiple in sorted(counts):
        if left <= counts[multiple]:
            return (multiple - 0.5 + left / counts[multiple]) * resolution
        left -= counts[multiple]


def corrected(counts, resolution):
    n = sum(counts.values())

    def excess(sigma):
        share = equal_share(resolution, sigma)
        median = binned_median(counts, n * share / (1 - share), resolution)
        square = (median / stats.norm.ppf(0.75)) ** 2 / 2 - resolution**2 / 12
        return np.sqrt(max(square, 0.0)) - sigma

    # Coarse rounding has a second root, near zero: the larger one is meant.
    return optimize.brentq(excess, 0.8 * SIGMA, 3 * SIGMA, xtol=1e-14, rtol=1e-14)


def rows():
    draws = special.ndtri(np.array(reference.minimal_standard(20001)[1:]))
    for resolution in [0.1, 0.25, 0.5, 0.75, 1.0]:
        whole = np.round(draws * SIGMA / resolution).astype(int)
        steps = np.abs(np.diff(whole))
        counts = Counter(int(step) for step in steps if step > 0)
        yield resolution, sum(counts.values()), corrected(counts, resolution)


if __name__ == "__main__":
    reference.write("noise.csv", ["resolution", "n_steps", "sigma"], rows())
