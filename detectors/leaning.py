"""What a user's own takes add to what the shipped trees and networks say.

Trees and networks were grown on made sound. On the sound of a real bench they err together, in a
direction that a few dozen labelled takes show: a room rings longer, a motor's clicks are duller.
So `detectors.tuning` learns a logistic regression of the same features (Hastie, Tibshirani and
Friedman 2009, The Elements of Statistical Learning, sec. 4.4) beside the shipped word, drawn
towards that word alone, once for single clicks and once for whole moves. Here it is applied.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from detectors.nets import Floats, shipped_nets, shipped_word
from detectors.settings import DetectorSettings, Weights


def leaning(which: str, settings: DetectorSettings) -> tuple[float, float, Weights]:
    """Constant, factor of the shipped word, and weights, of a ``click`` or a ``whole`` move."""
    if which == "click":
        return settings.click_intercept, settings.click_trees, settings.click_weights
    return settings.whole_intercept, settings.whole_trees, settings.whole_weights


def lean(which: str, said: Floats, features: Floats, settings: DetectorSettings) -> Floats:
    """Log-odds with what own takes add.

    Args:
        which: Of a ``click`` or a ``whole`` move.
        said: What the shipped trees and networks say, shape (rows,).
        features: Shape (rows, features).
        settings: The detector's numbers.
    """
    intercept, slope, weights = leaning(which, settings)
    value = intercept + slope * said
    if weights and len(said):
        nets = shipped_nets(which)
        at = [nets.names.index(name) for name, _ in weights]
        value = value + nets.bend(features)[:, at] @ np.array([weight for _, weight in weights])
    return value


def own_word(which: str, features: Sequence[float], settings: DetectorSettings) -> float:
    """What is said of one ``click`` or a ``whole`` move, as log-odds, own takes included.

    Raises:
        ValueError: There are more or fewer features than there should be.
    """
    said = np.array([shipped_word(which, features)])
    row = np.asarray(features, np.float64)[None, :]
    return float(lean(which, said, row, settings)[0])
