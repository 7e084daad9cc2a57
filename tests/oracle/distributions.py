"""Distribution functions on a grid, scipy -> data/distributions.csv."""

import numpy as np
from scipy import special, stats

import reference


def rows():
    for x in [0.0, 1e-8, 0.001, 0.1, 0.25, 0.5, 0.9, 1.0, 1.5, 2.0, 3.0, 4.0, 5.5]:
        yield "erf", x, 0, 0, special.erf(x)
        yield "erfc", x, 0, 0, special.erfc(x)
        yield "erfc", -x, 0, 0, special.erfc(-x)
    for z in [10.0, 20.0, 26.0]:
        yield "erfc", z, 0, 0, special.erfc(z)
    for z in [-37.0, -20.0, -8.0, -3.0, -1.0, -0.1, 0.0, 0.7, 2.0, 6.0]:
        yield "normal_cdf", z, 0, 0, special.ndtr(z)
    for z in [-1000.0, -100.0, -40.0, -31.0, -30.0, -29.0, -10.0, -1.0, 0.0, 3.0]:
        yield "ln_normal_cdf", z, 0, 0, special.log_ndtr(z)
    for p in [1e-300, 1e-20, 1e-10, 1e-4, 0.01, 0.1, 0.3, 0.5, 0.7, 0.9, 0.95, 0.975, 0.995, 0.9999]:
        yield "normal_quantile", p, 0, 0, special.ndtri(p)
    for nu in [1, 2, 4, 5, 10, 30, 200]:
        for t in [-8.0, -2.0, -0.3, 0.0, 0.5, 2.0, 6.0]:
            yield "student_t_cdf", t, nu, 0, stats.t.cdf(t, nu)
        for p in [0.001, 0.025, 0.2, 0.8, 0.975, 0.999]:
            yield "student_t_quantile", p, nu, 0, stats.t.ppf(p, nu)
    for nu in [1, 2, 5, 11, 40]:
        for x in [0.1, 1.0, 5.0, 20.0, 60.0]:
            yield "chi_square_cdf", x, nu, 0, stats.chi2.cdf(x, nu)
    for a, b in [(0.5, 0.5), (1, 3), (8, 183), (30, 2.5)]:
        for x in [0.01, 0.05, 0.3, 0.9]:
            yield "regularized_beta", x, a, b, special.betainc(a, b, x)
        for p in [0.025, 0.5, 0.975]:
            yield "beta_quantile", p, a, b, special.betaincinv(a, b, p)
    for mean, shape in [(2, 3), (1, 0.2), (10, 500), (0.5, 40)]:
        for x in [0.1, 0.5, 1.0, 2.0, 4.0, 12.0]:
            yield "inverse_gaussian_cdf", x, mean, shape, stats.invgauss.cdf(x, mean / shape, scale=shape)


if __name__ == "__main__":
    np.seterr(all="ignore")
    reference.write("distributions.csv", ["function", "x", "a", "b", "value"], rows())
