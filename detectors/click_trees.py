"""The trees that tell a motor's clicks from a room's, and the files they are kept in.

A sum of small decision trees (gradient boosting: Friedman 2001, Ann. Stat. 29, 1189), grown on
clicks of made takes by ``python tests/benchmarks/grow_click_trees.py``; the files beside this
module are its outcome. Each tree asks at most three questions, so a sum of them knows about pairs
and triples of features and about nothing more involved.
"""

from __future__ import annotations

import functools
import json
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources

import numpy as np
from numpy.typing import NDArray

from detectors.errors import DetectorFileError

#: Questions from the root to a leaf.
DEPTH = 3
#: Files of the trees that come with the package.
FILES = {"click": "click_trees.json", "train": "train_trees.json", "whole": "whole_trees.json"}


@dataclass(frozen=True, slots=True)
class ClickTrees:
    """Complete binary trees of depth `DEPTH`.

    Attributes:
        names: Names of the features.
        feature: Which feature each question is about, shape (trees, 7), breadth first.
        limit: Greatest value of it with which one goes left, shape (trees, 7).
        leaf: Value of each leaf, shape (trees, 8).
        start: What is said before any question.
    """

    names: tuple[str, ...]
    feature: NDArray[np.int64]
    limit: NDArray[np.float64]
    leaf: NDArray[np.float64]
    start: float

    def log_odds(self, features: Sequence[float]) -> float:
        """Log-odds for one click.

        Args:
            features: In the order of ``names``.

        Raises:
            ValueError: There are more or fewer of them.
        """
        values = row_of(features, self.names)
        every = np.arange(len(self.leaf))
        at = np.zeros(len(self.leaf), np.int64)
        for _ in range(DEPTH):
            right = values[self.feature[every, at]] > self.limit[every, at]
            at = 2 * at + 1 + right
        return self.start + float(self.leaf[every, at - (2**DEPTH - 1)].sum())


def row_of(features: Sequence[float], names: Sequence[str]) -> NDArray[np.float64]:
    """Features as numbers, shape (features,).

    Raises:
        ValueError: There are more or fewer of them than names.
    """
    if len(features) != len(names):
        raise ValueError(f"{len(features)} features, expected {len(names)}")
    return np.asarray(features, np.float64)


def trees_from_json(text: str, *, name: str) -> ClickTrees:
    """Parse what `trees_to_json` wrote; ``name`` is that of the file.

    Raises:
        DetectorFileError: The text is something else.
    """
    try:
        found = json.loads(text)
        trees = ClickTrees(
            names=tuple(found["features"]),
            feature=np.array([t["feature"] for t in found["trees"]], np.int64),
            limit=np.array([t["limit"] for t in found["trees"]], np.float64),
            leaf=np.array([t["leaf"] for t in found["trees"]], np.float64),
            start=float(found["start"]),
        )
    except (ValueError, KeyError, TypeError) as problem:
        raise DetectorFileError(f"{name}: holds no click trees: {problem}") from problem
    inner, leaves = 2**DEPTH - 1, 2**DEPTH
    count = len(trees.leaf)
    if trees.feature.shape != (count, inner) or trees.leaf.shape != (count, leaves):
        raise DetectorFileError(f"{name}: trees must ask {DEPTH} questions each")
    if count and not 0 <= trees.feature.min() <= trees.feature.max() < len(trees.names):
        raise DetectorFileError(f"{name}: a tree asks for a feature that there is not")
    return trees


def trees_to_json(trees: ClickTrees) -> str:
    """The text of a file of trees, a line a tree."""
    lines = [
        json.dumps(
            {"feature": f.tolist(), "limit": t.tolist(), "leaf": v.tolist()},
            separators=(",", ":"),
        )
        for f, t, v in zip(trees.feature, trees.limit, trees.leaf, strict=True)
    ]
    head = f'{{"features":{json.dumps(list(trees.names))},\n"start":{trees.start!r},\n"trees":[\n'
    return head + ",\n".join(lines) + "\n]}\n"


def shipped_text(name: str) -> str:
    """The text of a file that comes with the package."""
    return resources.files("detectors").joinpath(name).read_text("utf-8")


@functools.cache
def shipped_trees(which: str) -> ClickTrees:
    """The trees that come with the package: of one ``click``, a ``train``, a ``whole`` move."""
    return trees_from_json(shipped_text(FILES[which]), name=FILES[which])
