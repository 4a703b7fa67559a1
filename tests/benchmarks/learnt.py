"""Trees and networks as they are learnt from rows, for `grow_click_trees.py`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.stats import norm

from detectors.nets import Nets

Floats = NDArray[np.float64]
#: Values of a feature at which it is bent, at most; how far from the middle it is bent, at most.
KNOTS, FARTHEST = 40, 2.6
#: Networks whose mean is taken, and the widths of their hidden layers.
NETWORKS, HIDDEN = 3, (64, 32)
#: Strength of the pull of the weights towards nothing, and rows of a step.
PULL, BATCH = 1e-2, 256
#: Digits that are kept of each number.
DIGITS = 5


@dataclass(frozen=True, slots=True)
class Mixed:
    """Trees of the library's and networks, asked together."""

    trees: Any
    nets: Nets | None

    def decision_function(self, rows: Floats) -> Floats:
        """Log-odds of each row."""
        said: Floats = self.trees.decision_function(rows)
        if self.nets is None:
            return said
        return self.nets.beside(said, self.nets.log_odds_of(rows))


def _short(values: Floats) -> Floats:
    """Numbers with no more digits than the file keeps."""
    return np.array([float(f"{value:.{DIGITS}g}") for value in values.ravel()]).reshape(
        values.shape
    )


def bending(values: Floats) -> tuple[Floats, Floats]:
    """Knots and scores by which a feature comes to be normally distributed."""
    parts = np.linspace(0.0, 1.0, KNOTS)
    at = _short(np.quantile(values, parts))
    bounds = norm.cdf([-FARTHEST, FARTHEST])
    to = norm.ppf(np.clip(parts, *bounds))
    knots = np.unique(at)
    return knots, _short(np.array([to[at == knot].mean() for knot in knots]))


def grow_nets(
    features: Floats,
    truth: NDArray[np.bool_],
    weight: Floats,
    *,
    names: tuple[str, ...],
    part: float,
    rounds: int,
) -> Nets:
    """Networks learnt from rows.

    Args:
        features: Shape (rows, features).
        truth: Whether each row is of a skip.
        weight: Of each row.
        names: Of the features.
        part: How much they are to count against the trees.
        rounds: How often each row is learnt from.
    """
    from sklearn.neural_network import MLPClassifier

    pairs = [bending(column) for column in features.T]
    nets = Nets(names, part, tuple(p[0] for p in pairs), tuple(p[1] for p in pairs), ())
    bent = nets.bend(features)
    layers = []
    for seed in range(NETWORKS):
        model = MLPClassifier(
            HIDDEN,
            alpha=PULL,
            batch_size=BATCH,
            max_iter=rounds,
            tol=0.0,
            random_state=seed,
            n_iter_no_change=rounds,
        )
        model.fit(bent, truth, sample_weight=weight)
        found = zip(model.coefs_, model.intercepts_, strict=True)
        layers.append(tuple((_short(w), _short(b)) for w, b in found))
    return Nets(nets.names, part, nets.knots, nets.scores, tuple(layers))
