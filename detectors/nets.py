"""Small neural networks beside the trees, and the files they are kept in.

Trees answer in steps and ask three questions at most; a network answers smoothly and weighs all
features at once. The two err on different takes, so their mean errs less than either (ensembles:
Dietterich 2000, Multiple Classifier Systems, 1). A network is a multilayer perceptron with
rectified linear units (Goodfellow, Bengio and Courville 2016, Deep Learning, ch. 6), on features
that were each bent to a normal distribution.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from detectors.click_trees import row_of, shipped_text, shipped_trees
from detectors.errors import DetectorFileError

Floats = NDArray[np.float64]
Said = TypeVar("Said", float, Floats)
#: Files of the networks that come with the package; trains are told by their trees alone.
NET_FILES = {"click": "click_nets.json", "whole": "whole_nets.json"}


@dataclass(frozen=True, slots=True)
class Nets:
    """Some networks for the same features; what is said is the mean of what each says.

    Attributes:
        names: Names of the features.
        part: How much the networks count against the trees, from 0 to 1.
        knots: For each feature the values, ascending, at which ``scores`` are given.
        scores: What each feature is bent to there; linear between, constant beyond.
        layers: For each network its layers' weights, shape (inputs, outputs), and offsets.
    """

    names: tuple[str, ...]
    part: float
    knots: tuple[Floats, ...]
    scores: tuple[Floats, ...]
    layers: tuple[tuple[tuple[Floats, Floats], ...], ...]

    def bend(self, rows: Floats) -> Floats:
        """Features as the networks take them, shape (rows, features)."""
        columns = zip(rows.T, self.knots, self.scores, strict=True)
        return np.stack([np.interp(*column) for column in columns], axis=1)

    def log_odds_of(self, rows: Floats) -> Floats:
        """Log-odds for each row of features, shape (rows,)."""
        bent = self.bend(np.asarray(rows, np.float64))
        total = np.zeros(len(bent))
        for layers in self.layers:
            values = bent
            for weights, offsets in layers[:-1]:
                values = np.maximum(values @ weights + offsets, 0.0)
            weights, offsets = layers[-1]
            total += (values @ weights + offsets)[:, 0]
        return total / len(self.layers)

    def log_odds(self, features: Sequence[float]) -> float:
        """Log-odds for one row.

        Args:
            features: In the order of ``names``.

        Raises:
            ValueError: There are more or fewer of them.
        """
        return float(self.log_odds_of(row_of(features, self.names)[None, :])[0])

    def beside(self, trees: Said, nets: Said) -> Said:
        """What trees and networks say together, given what each says."""
        return (1.0 - self.part) * trees + self.part * nets


def nets_from_json(text: str, *, name: str) -> Nets:
    """Parse what `nets_to_json` wrote; ``name`` is that of the file.

    Raises:
        DetectorFileError: The text is something else.
    """
    try:
        found = json.loads(text)
        nets = Nets(
            names=tuple(found["features"]),
            part=float(found["part"]),
            knots=tuple(np.array(one, np.float64) for one in found["knots"]),
            scores=tuple(np.array(one, np.float64) for one in found["scores"]),
            layers=tuple(
                tuple(
                    (np.array(one["weights"], np.float64), np.array(one["offsets"], np.float64))
                    for one in layers
                )
                for layers in found["networks"]
            ),
        )
    except (ValueError, KeyError, TypeError) as problem:
        raise DetectorFileError(f"{name}: holds no networks: {problem}") from problem
    if not 0.0 <= nets.part <= 1.0:
        raise DetectorFileError(f"{name}: part must lie from 0 to 1, not {nets.part:g}")
    if not len(nets.knots) == len(nets.scores) == len(nets.names):
        raise DetectorFileError(f"{name}: each feature needs its knots and scores")
    for at, to in zip(nets.knots, nets.scores, strict=True):
        if at.shape != to.shape or not len(at) or (np.diff(at) <= 0).any():
            raise DetectorFileError(f"{name}: knots must ascend, with a score each")
    for layers in nets.layers:
        widths = [len(nets.names), *(len(offsets) for _, offsets in layers)]
        shapes = [weights.shape for weights, _ in layers]
        if shapes != list(pairwise(widths)) or widths[-1] != 1:
            raise DetectorFileError(f"{name}: the layers of a network do not fit each other")
    if not nets.layers:
        raise DetectorFileError(f"{name}: holds no networks")
    return nets


def nets_to_json(nets: Nets) -> str:
    """The text of a file of networks, a line a layer."""
    networks = ",\n".join(
        "["
        + ",\n".join(
            json.dumps(
                {"offsets": offsets.tolist(), "weights": weights.tolist()}, separators=(",", ":")
            )
            for weights, offsets in layers
        )
        + "]"
        for layers in nets.layers
    )
    head = [
        f'"features":{json.dumps(list(nets.names))}',
        f'"part":{nets.part!r}',
        f'"knots":{json.dumps([one.tolist() for one in nets.knots])}',
        f'"scores":{json.dumps([one.tolist() for one in nets.scores])}',
    ]
    return "{" + ",\n".join(head) + f',\n"networks":[\n{networks}\n]}}\n'


@functools.cache
def shipped_nets(which: str) -> Nets:
    """The networks that come with the package: of one ``click``, of a ``whole`` move."""
    return nets_from_json(shipped_text(NET_FILES[which]), name=NET_FILES[which])


def shipped_word(which: str, features: Sequence[float]) -> float:
    """What trees and networks say together of one ``click`` or a ``whole`` move, as log-odds."""
    nets = shipped_nets(which)
    return nets.beside(shipped_trees(which).log_odds(features), nets.log_odds(features))
