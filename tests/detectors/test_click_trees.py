"""The boosted trees: evaluation, file, and that the shipped ones fit the features."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from detectors.click_trees import (
    DEPTH,
    FILES,
    ClickTrees,
    shipped_trees,
    trees_from_json,
    trees_to_json,
)
from detectors.errors import DetectorFileError
from detectors.marks import FEATURES
from detectors.sequential import TRAIN_FEATURES
from detectors.whole import WHOLE_FEATURES

INNER, LEAVES = 2**DEPTH - 1, 2**DEPTH
NAMES = ("a", "b", "c")
ASKED_FOR = {"click": FEATURES, "train": TRAIN_FEATURES, "whole": WHOLE_FEATURES}


@st.composite
def some_trees(draw: st.DrawFn) -> ClickTrees:
    count = draw(st.integers(1, 6))
    numbers = st.floats(-10, 10, allow_nan=False).map(lambda x: round(x, 6))

    def table(values: st.SearchStrategy, width: int) -> list[list[float]]:
        row = st.lists(values, min_size=width, max_size=width)
        return draw(st.lists(row, min_size=count, max_size=count))

    return ClickTrees(
        names=NAMES,
        feature=np.array(table(st.integers(0, 2), INNER)),
        limit=np.array(table(numbers, INNER)),
        leaf=np.array(table(numbers, LEAVES)),
        start=draw(numbers),
    )


def by_hand(trees: ClickTrees, values: list[float]) -> float:
    total = trees.start
    for feature, limit, leaf in zip(trees.feature, trees.limit, trees.leaf, strict=True):
        place = 0
        while place < INNER:
            place = 2 * place + (1 if values[feature[place]] <= limit[place] else 2)
        total += leaf[place - INNER]
    return float(total)


@given(some_trees(), st.lists(st.floats(-12, 12), min_size=3, max_size=3))
def test_all_trees_at_once_give_what_one_after_the_other_gives(
    trees: ClickTrees, values: list[float]
) -> None:
    assert trees.log_odds(values) == pytest.approx(by_hand(trees, values), abs=1e-9)


@given(some_trees())
def test_file_reads_back_equal(trees: ClickTrees) -> None:
    again = trees_from_json(trees_to_json(trees), name="x.json")
    assert (again.names, again.start) == (trees.names, trees.start)
    for name in ("feature", "limit", "leaf"):
        assert np.array_equal(getattr(again, name), getattr(trees, name))


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda d: d.pop("trees"), "holds no click trees"),
        (lambda d: d["trees"][0].update(leaf=[1.0]), "holds no click trees|questions each"),
        (lambda d: d["trees"][0].update(feature=[9] * INNER), "a feature that there is not"),
    ],
)
def test_a_damaged_file_is_named(change, words: str) -> None:  # type: ignore[no-untyped-def]
    document = json.loads(
        trees_to_json(
            ClickTrees(
                NAMES,
                np.zeros((2, INNER), int),
                np.zeros((2, INNER)),
                np.zeros((2, LEAVES)),
                0.0,
            )
        )
    )
    change(document)
    with pytest.raises(DetectorFileError, match=words) as told:
        trees_from_json(json.dumps(document), name="mine.json")
    assert "mine.json" in str(told.value)


def test_a_wrong_number_of_features_is_refused() -> None:
    with pytest.raises(ValueError, match=f"2 features, expected {len(FEATURES)}"):
        shipped_trees("click").log_odds([0.0, 1.0])


@pytest.mark.parametrize("which", FILES)
def test_the_shipped_trees_ask_for_the_features_there_are(which: str) -> None:
    trees = shipped_trees(which)
    assert trees.names == ASKED_FOR[which]
    assert len(trees.leaf) >= 50
    assert len(set(trees.feature.ravel().tolist())) >= 8


def test_more_clicks_and_surer_ones_say_more() -> None:
    """Along the line from a lone doubtful click to a train of sure ones."""
    trees = shipped_trees("train")
    lone = (-1.0, -1.0, -5.0, 0.5, 0.5, 1.0, 1.0, 9.0, 0.0, 0.0, 0.9, 0.9, 1.0, 0.02, 0.0, 0.0)
    train = (4.0, 4.5, 4.0, 20.0, 20.0, 6.0, 0.4, 0.2, 0.05, 0.0, 0.1, 0.2, 1.0, 0.02, 0.0, 0.0)
    assert trees.log_odds(lone) < 0.0 < 3.0 < trees.log_odds(train)
