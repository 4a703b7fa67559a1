"""The small networks: evaluation, file, and that the shipped ones fit the features."""

from __future__ import annotations

import json
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from detectors.click_trees import shipped_trees
from detectors.errors import DetectorFileError
from detectors.marks import FEATURES
from detectors.nets import (
    NET_FILES,
    Nets,
    nets_from_json,
    nets_to_json,
    shipped_nets,
    shipped_word,
)
from detectors.whole import WHOLE_FEATURES

NAMES = ("a", "b", "c")
ASKED_FOR = {"click": FEATURES, "whole": WHOLE_FEATURES}


@st.composite
def some_nets(draw: st.DrawFn) -> Nets:
    numbers = st.floats(-3, 3, allow_nan=False).map(lambda x: round(x, 5))

    def some(count: int) -> np.ndarray:
        return np.array(draw(st.lists(numbers, min_size=count, max_size=count)))

    knots = []
    for _ in NAMES:
        found = draw(st.lists(st.integers(-20, 20), min_size=1, max_size=6, unique=True))
        knots.append(np.array(sorted(found), float))
    networks = []
    for _ in range(draw(st.integers(1, 3))):
        inner = draw(st.lists(st.integers(1, 4), max_size=2))
        widths = pairwise([len(NAMES), *inner, 1])
        networks.append(tuple((some(m * n).reshape(m, n), some(n)) for m, n in widths))
    return Nets(
        names=NAMES,
        part=draw(st.floats(0, 1)),
        knots=tuple(knots),
        scores=tuple(some(len(one)) for one in knots),
        layers=tuple(networks),
    )


def bent_by_hand(value: float, knots: np.ndarray, scores: np.ndarray) -> float:
    if value <= knots[0]:
        return float(scores[0])
    for low, high, at, to in zip(knots, knots[1:], scores, scores[1:], strict=False):
        if value <= high:
            return float(at + (to - at) * (value - low) / (high - low))
    return float(scores[-1])


def by_hand(nets: Nets, values: list[float]) -> float:
    total = 0.0
    for layers in nets.layers:
        now = [bent_by_hand(*one) for one in zip(values, nets.knots, nets.scores, strict=True)]
        for number, (weights, offsets) in enumerate(layers):
            now = [
                sum(x * weights[i][k] for i, x in enumerate(now)) + offsets[k]
                for k in range(len(offsets))
            ]
            if number < len(layers) - 1:
                now = [max(x, 0.0) for x in now]
        total += now[0]
    return total / len(nets.layers)


@given(some_nets(), st.lists(st.floats(-25, 25), min_size=3, max_size=3))
def test_all_at_once_gives_what_one_sum_after_the_other_gives(
    nets: Nets, values: list[float]
) -> None:
    assert nets.log_odds(values) == pytest.approx(by_hand(nets, values), rel=1e-9, abs=1e-9)


@given(some_nets(), st.lists(st.floats(-25, 25), min_size=3, max_size=3))
def test_file_reads_back_equal(nets: Nets, values: list[float]) -> None:
    again = nets_from_json(nets_to_json(nets), name="x.json")
    assert (again.names, again.part) == (nets.names, nets.part)
    assert again.log_odds(values) == nets.log_odds(values)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda d: d.pop("networks"), "holds no networks"),
        (lambda d: d.update(networks=[]), "holds no networks"),
        (lambda d: d.update(networks=[[]]), "do not fit each other"),
        (lambda d: d.update(part=1.5), "part must lie from 0 to 1, not 1.5"),
        (lambda d: d.update(part="much"), "holds no networks"),
        (lambda d: d["knots"].pop(), "each feature needs its knots and scores"),
        (lambda d: d["knots"][0].reverse(), "knots must ascend"),
        (lambda d: d["scores"][0].pop(), "knots must ascend, with a score each"),
        (lambda d: d["networks"][0][0]["offsets"].pop(), "do not fit each other"),
        (lambda d: d["networks"][0].pop(), "do not fit each other"),
    ],
)
def test_a_wrong_file_is_named_with_what_is_wrong(change, words: str) -> None:
    document = json.loads(nets_to_json(shipped_nets("click")))
    change(document)
    with pytest.raises(DetectorFileError, match=words) as caught:
        nets_from_json(json.dumps(document), name="mine.json")
    assert "mine.json" in str(caught.value)


def test_another_number_of_features_is_refused() -> None:
    with pytest.raises(ValueError, match="2 features"):
        shipped_nets("click").log_odds([0.0, 1.0])


@pytest.mark.parametrize("which", NET_FILES)
def test_the_shipped_networks_ask_for_the_features_there_are(which: str) -> None:
    nets = shipped_nets(which)
    assert nets.names == tuple(ASKED_FOR[which])
    assert 0.0 < nets.part < 1.0


@pytest.mark.parametrize("which", NET_FILES)
def test_trees_and_networks_are_asked_together_and_agree_by_and_large(which: str) -> None:
    """On features as skips and healthy motors have them: values at the networks' own knots."""
    nets, trees = shipped_nets(which), shipped_trees(which)
    rng = np.random.default_rng(3)
    rows = np.stack([rng.choice(knots, 200) for knots in nets.knots], axis=1)
    told = np.array([[nets.log_odds(row), trees.log_odds(row)] for row in rows])
    words = [shipped_word(which, row) for row in rows]
    assert words == pytest.approx((told @ [nets.part, 1.0 - nets.part]).tolist())
    assert np.corrcoef(told.T)[0, 1] > 0.5
