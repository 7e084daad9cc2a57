"""Rankings, rates and calibration -> data/judging_items.csv, data/judging.csv."""

import numpy as np
from scipy.optimize import minimize
from sklearn import metrics
from sklearn.isotonic import IsotonicRegression
from statsmodels.stats.proportion import proportion_confint

import reference


def items():
    """Three sets with ties from the generator of SP 1065: set, score, label."""
    draws = iter(reference.minimal_standard(5000))
    for name, count, levels in [("small", 40, 8), ("fine", 300, 10**6), ("coarse", 300, 20)]:
        for _ in range(count):
            score = int(next(draws) * levels) / levels
            label = next(draws) < 0.1 + 0.6 * score
            yield name, score, int(label)


def platt(scores, labels):
    """Direct minimisation of the loss with Lin, Lin & Weng's targets."""
    positives, negatives = labels.sum(), (1 - labels).sum()
    targets = np.where(labels == 1, (positives + 1) / (positives + 2), 1 / (negatives + 2))

    def loss(ab):
        f = ab[0] * scores + ab[1]
        return np.sum(targets * f + np.logaddexp(0, -f))

    def slope(ab):
        f = ab[0] * scores + ab[1]
        rest = targets - 1 / (1 + np.exp(f))
        return np.array([np.sum(rest * scores), np.sum(rest)])

    return minimize(loss, [0.0, 0.0], jac=slope, method="BFGS", options={"gtol": 1e-12}).x


def measures(rows):
    for name in ["small", "fine", "coarse"]:
        scores = np.array([row[1] for row in rows if row[0] == name])
        labels = np.array([row[2] for row in rows if row[0] == name])
        yield name, "average_precision", 0, metrics.average_precision_score(labels, scores)
        yield name, "roc_auc", 0, metrics.roc_auc_score(labels, scores)
        yield name, "brier", 0, metrics.brier_score_loss(labels, scores)
        yield name, "log_loss", 0, metrics.log_loss(labels, np.clip(scores, 1e-15, 1 - 1e-15))
        curve = IsotonicRegression(out_of_bounds="clip").fit(scores, labels)
        for score in [-0.5, 0.0, 0.111, 0.37, 0.5, 0.73, 0.99, 2.0]:
            yield name, "isotonic", score, curve.predict([score])[0]
        for measure, value in zip(["platt_a", "platt_b"], platt(scores, labels)):
            yield name, measure, 0, value
    for successes, trials in [(81, 263), (15, 148), (0, 20), (1, 29), (2, 31), (20, 20)]:
        for method, measure in [("wilson", "wilson"), ("beta", "clopper_pearson")]:
            low, high = proportion_confint(successes, trials, 0.05, method)
            yield f"{successes}/{trials}", measure + "_low", 0, low
            yield f"{successes}/{trials}", measure + "_high", 0, high


if __name__ == "__main__":
    rows = list(items())
    reference.write("judging_items.csv", ["set", "score", "label"], rows)
    reference.write("judging.csv", ["set", "measure", "argument", "value"], measures(rows))
