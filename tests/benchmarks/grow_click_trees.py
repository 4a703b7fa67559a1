"""Grows the detector's trees and networks on made takes, and writes their files in `detectors/`.

``python tests/benchmarks/grow_click_trees.py --work FOLDER`` makes the takes (virtual benches,
five other makers of sound, and the quiet ones of these with recorded rooms under them, from seeds
and recordings that nothing else uses; some GB and, on two cores, two hours),
listens to them, and learns from them. With ``--check`` it writes nothing, judges each take with
trees that never saw its bench, and prints the rates, source by source. Needs scikit-learn.

The trees of one click learn from the clicks of skipping motors against whatever clicks in clean
takes. The trees of a train learn from trains up to each of their clicks, and the trees of a whole
move from all of these, with words of trees that never saw the bench (stacking: Wolpert 1992, Neural
Networks 5, 241). Each take, and each of the seven sources, has the same weight however many clicks
there are in it; for whole moves skips and clean takes weigh alike in each class of step rates.
Single clicks and whole moves are told by networks besides (`learnt.py`); for trains these were of
no use.
"""

from __future__ import annotations

import argparse
import bisect
import pickle
import sys
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests" / "detectors"), str(ROOT / "tests" / "benchmarks")]

import bench_detector as bench  # noqa: E402
import numpy as np  # noqa: E402
from learnt import Mixed, grow_nets  # noqa: E402
from numpy.typing import NDArray  # noqa: E402

from detectors.click_trees import (  # noqa: E402
    DEPTH,
    FILES,
    ClickTrees,
    shipped_trees,
    trees_to_json,
)
from detectors.evidence import Verdict  # noqa: E402
from detectors.marks import FEATURES  # noqa: E402
from detectors.nets import NET_FILES, nets_to_json, shipped_nets  # noqa: E402
from detectors.scores import rate  # noqa: E402
from detectors.sequential import (  # noqa: E402
    TRAIN_FEATURES,
    TrainStep,
    click_rates,
    train_steps,
)
from detectors.settings import DetectorSettings  # noqa: E402
from detectors.takes import Take  # noqa: E402
from detectors.traces import Trace, trace_takes  # noqa: E402
from detectors.tuning import COLLAR_S  # noqa: E402
from detectors.whole import WHOLE_FEATURES  # noqa: E402

Floats = NDArray[np.float64]


class Batch(NamedTuple):
    """Takes that are made and heard together.

    Attributes:
        bench_seed: First seed of the virtual benches; made and wide sound take theirs from it.
        made: Takes of made sound, and as many of wide sound.
        falls: Takes of motors that fall back (`made_falls.py`).
        others: Takes of an integrated rotor (`made_rotor.py`), and as many made of events
            (`made_grains.py`).
        benches: Virtual benches.
        per_bench: Takes of each.
        far: Takes of each far beyond the threshold.
    """

    bench_seed: int
    made: int
    benches: int = 70
    per_bench: int = 30
    far: int = 0
    falls: int = 0
    others: int = 0


BATCHES = (
    Batch(1_777_000_000, 0, benches=400, per_bench=9, far=5),
    Batch(2_077_000_000, 2000, benches=200, per_bench=12),
    Batch(2_377_000_000, 0, benches=0, falls=5000),
    Batch(2_477_000_000, 0, benches=0, falls=2500),
    Batch(2_577_000_000, 0, benches=0, others=2500),
)
#: The sources, in their order, and how much each counts. Trees that know grains well, whose rooms
#: hold rhythms and other machines that beat as a skipping motor does, doubt every other room.
SOURCES = {
    "virtual": 2.0,
    "made": 1.0,
    "wide": 1.0,
    "recorded rooms": 2.0,
    "falls": 1.0,
    "rotor": 1.0,
    "grains": 1.0 / 3.0,
}
#: Faults that leave nothing to learn from.
LEFT_OUT = ("muted", "dropout", "wrong-speed")
#: Clicks of a take, and trains of a take, that are learnt from.
MOST_CLICKS, MOST_STEPS = 12, 12
#: Limits of the classes of step rates, in Hz.
SPEED_CLASSES_HZ = (60.0, 200.0, 500.0)
FOLDS = 5
TREES = {
    "max_depth": DEPTH,
    "max_leaf_nodes": 2**DEPTH,
    "min_samples_leaf": 40,
    "l2_regularization": 1.0,
    "early_stopping": False,
    "random_state": 0,
    "learning_rate": 0.06,
}


class Growth(NamedTuple):
    """How what is said of a click, a train or a whole move is learnt.

    Attributes:
        names: Of the features.
        trees: How many.
        part: How much networks count beside them; nothing where they were of no use.
        rounds: How often networks learn from each row.
    """

    names: tuple[str, ...]
    trees: int
    part: float = 0.0
    rounds: int = 0


GROWTHS = {
    "click": Growth(FEATURES, 1600, part=0.25, rounds=12),
    "train": Growth(TRAIN_FEATURES, 400),
    "whole": Growth(WHOLE_FEATURES, 1500, part=0.5, rounds=15),
}


@dataclass(slots=True)
class Heard:
    """What the trees learn from: one take, and which source it is from."""

    source: int
    trace: Trace

    @property
    def skips(self) -> bool:
        return self.trace.take.label is Verdict.SKIP

    def counts(self, time_s: float) -> bool:
        """Whether a click at that time may be learnt from."""
        first = self.trace.take.first_skip_s
        return not self.skips or (first is not None and time_s >= first - COLLAR_S)


def make_takes(folder: Path, batch: Batch, jobs: int) -> list[list[Take]]:
    """The takes of one batch, by source; made only where they are not there yet."""
    from joblib import Parallel, delayed
    from real_room import recordings

    kept = folder / "takes.pickle"
    if kept.exists():
        found: list[list[Take]] = pickle.loads(kept.read_bytes())
        return found
    folder.mkdir(parents=True, exist_ok=True)
    bench.BENCH_SEED = batch.bench_seed
    files = recordings("tuning")

    def made_by(number: int, name: str, count: int) -> list[Take]:
        (folder / name).mkdir(exist_ok=True)
        first = batch.bench_seed + number * 1_000_000
        takes: list[Take] = Parallel(n_jobs=jobs)(
            delayed(bench.write_made)(folder / name, first + k, maker=name, files=files)
            for k in range(count)
        )
        return takes

    sources: list[list[Take]] = [[]]
    if batch.benches:
        sources = [bench.virtual_takes(folder / "virtual", batch.benches, batch.per_bench)]
    sources += [made_by(1, "made", batch.made), made_by(2, "wide", batch.made)]
    (folder / "real").mkdir(exist_ok=True)
    quiet = [take for takes in sources for take in takes if bench.is_quiet(take)]
    sources.append(
        Parallel(n_jobs=jobs)(
            delayed(bench.write_real)(folder / "real", take, number, "tuning", files)
            for number, take in enumerate(quiet)
        )
    )
    counts = {"falls": batch.falls, "rotor": batch.others, "grains": batch.others}
    sources += [made_by(3 + k, *one) for k, one in enumerate(counts.items())]
    if batch.far:
        sources[0] += bench.virtual_takes(folder / "far", batch.benches, batch.far, far=True)
    kept.write_bytes(pickle.dumps(sources))
    return sources


def hear_takes(sources: Sequence[Sequence[Take]], jobs: int) -> list[Heard]:
    """Listen to all that can be learnt from."""
    heard: list[Heard] = []
    for source, takes in enumerate(sources):
        usable = [
            t
            for t in takes
            if t.label in (Verdict.CLEAN, Verdict.SKIP, Verdict.SLIP)
            and not any(fault in t.note for fault in LEFT_OUT)
        ]
        for trace in trace_takes(usable, DetectorSettings(), jobs=jobs):
            heard.append(Heard(source, trace))
    return heard


@dataclass(slots=True)
class Rows:
    """Rows to learn from: features, whether of a skip, weights, bench, take."""

    features: Floats
    truth: NDArray[np.bool_]
    weight: Floats
    take: NDArray[np.int64]


def _rows(found: list[tuple[Sequence[float], bool, float, int, int]]) -> Rows:
    weight = np.array([row[2] for row in found])
    truth = np.array([row[1] for row in found], bool)
    source = np.array([row[3] for row in found])
    for kind, share in enumerate(SOURCES.values()):
        for which in (True, False):
            some = (source == kind) & (truth == which)
            weight[some] *= share / max(weight[some].sum(), 1e-12)
    return Rows(
        features=np.array([row[0] for row in found], float),
        truth=truth,
        weight=weight * len(weight) / weight.sum(),
        take=np.array([row[4] for row in found]),
    )


def click_rows(heard: Sequence[Heard]) -> Rows:
    found: list[tuple[Sequence[float], bool, float, int, int]] = []
    for number, one in enumerate(heard):
        used = [i for i, c in enumerate(one.trace.clicks) if one.counts(c.time_s)][:MOST_CLICKS]
        for place, i in enumerate(used):
            due = (3.0 if place == 0 else 1.0) * len(used) ** -0.7
            found.append((one.trace.looks[i], one.skips, due, one.source, number))
    return _rows(found)


def steps_of(one: Heard, words: Floats) -> list[TrainStep]:
    """The train after each click of a take, with words of its clicks."""
    trace = one.trace
    return train_steps(
        trace.clicks,
        rates=click_rates(
            room_clicks=trace.room_clicks, room_s=trace.room_s, settings=DetectorSettings()
        ),
        cycle_s=trace.cycle_s,
        turn_s=trace.turn_s,
        looks=trace.looks,
        said=words.tolist(),
    )


def train_rows(heard: Sequence[Heard], trains: Sequence[Sequence[TrainStep]]) -> Rows:
    found: list[tuple[Sequence[float], bool, float, int, int]] = []
    for number, (one, steps) in enumerate(zip(heard, trains, strict=True)):
        used = [step for step in steps if one.counts(step.time_s)][:MOST_STEPS]
        for place, step in enumerate(used):
            due = (3.0 if place == 0 else 2.0 if place == 1 else 1.0) * len(used) ** -0.7
            found.append((step.features, one.skips, due, one.source, number))
    return _rows(found)


def speed_class(take: Take) -> int:
    """One of a few classes of the step rate."""
    return bisect.bisect(SPEED_CLASSES_HZ, take.geometry.step_rate_hz(take.motion.speed_mm_s))


def whole_rows(
    heard: Sequence[Heard], trains: Sequence[Sequence[TrainStep]], told: Sequence[Floats]
) -> Rows:
    kept = [
        number
        for number, one in enumerate(heard)
        if one.trace.take.label is not Verdict.SLIP and one.trace.otherwise.details
    ]
    # At each speed skips and clean takes weigh alike: that a motor runs fast says nothing.
    classes = {i: (heard[i].source, speed_class(heard[i].trace.take)) for i in kept}
    kinds = Counter((classes[i], heard[i].skips) for i in kept)
    found: list[tuple[Sequence[float], bool, float, int, int]] = []
    for i in kept:
        one = heard[i]
        due = (
            sum(kinds[classes[i], which] for which in (True, False)) / kinds[classes[i], one.skips]
        )
        features = one.trace.whole(trains[i], told[i].tolist())
        found.append((features, one.skips, due, one.source, i))
    return _rows(found)


def grow(rows: Rows, which: str) -> Mixed:
    """Learn from rows of a ``click``, of a ``train`` or of a ``whole`` move."""
    from sklearn.ensemble import HistGradientBoostingClassifier

    growth = GROWTHS[which]
    trees = HistGradientBoostingClassifier(**TREES, max_iter=growth.trees)
    trees.fit(rows.features, rows.truth, sample_weight=rows.weight)
    if not growth.part:
        return Mixed(trees, None)
    nets = grow_nets(
        rows.features,
        rows.truth,
        rows.weight,
        names=growth.names,
        part=growth.part,
        rounds=growth.rounds,
    )
    return Mixed(trees, nets)


def _fill(
    nodes: Any, node: int, place: int, tree: tuple[list[int], list[float], list[float]]
) -> None:
    """Copy a grown tree into complete lists; a leaf too early is asked on in vain."""
    feature, limit, leaf = tree
    if place >= len(feature):
        leaf[place - len(feature)] = round(float(nodes[node]["value"]), 6)
        return
    left, right = node, node
    if not nodes[node]["is_leaf"]:
        feature[place] = int(nodes[node]["feature_idx"])
        limit[place] = float(f"{nodes[node]['num_threshold']:.7g}")
        left, right = int(nodes[node]["left"]), int(nodes[node]["right"])
    _fill(nodes, left, 2 * place + 1, tree)
    _fill(nodes, right, 2 * place + 2, tree)


def as_trees(model: Any, names: Sequence[str]) -> ClickTrees:
    """Complete trees of the library's grown ones."""
    inner, leaves = 2**DEPTH - 1, 2**DEPTH
    trees = []
    for (predictor,) in model._predictors:
        tree: tuple[list[int], list[float], list[float]] = (
            [0] * inner,
            [0.0] * inner,
            [0.0] * leaves,
        )
        _fill(predictor.nodes, 0, 0, tree)
        trees.append(tree)
    return ClickTrees(
        names=tuple(names),
        feature=np.array([tree[0] for tree in trees]),
        limit=np.array([tree[1] for tree in trees]),
        leaf=np.array([tree[2] for tree in trees]),
        start=round(float(np.ravel(model._baseline_prediction)[0]), 6),
    )


def said_of(model: Any, rows: Sequence[Sequence[Sequence[float]]]) -> list[Floats]:
    """What trees say of rows of features, take by take, asked all at once."""
    lengths = [len(some) for some in rows]
    flat = [row for some in rows for row in some]
    said = model.decision_function(np.array(flat)) if flat else np.zeros(0)
    return np.split(said, np.cumsum(lengths)[:-1])


def words_of(model: Any, heard: Sequence[Heard]) -> list[Floats]:
    """What trees of a click say of each click of each take."""
    return said_of(model, [one.trace.looks for one in heard])


def stacked(
    heard: Sequence[Heard],
    rows: Rows,
    which: str,
    say: Callable[[Any, list[int]], list[Floats]],
) -> list[Floats]:
    """What trees say of each take that never saw its bench."""
    benches = sorted({one.trace.take.bench for one in heard})
    fold_of = {name: number % FOLDS for number, name in enumerate(benches)}
    fold = np.array([fold_of[one.trace.take.bench] for one in heard])
    words: list[Floats] = [np.zeros(0)] * len(heard)
    for number in range(FOLDS):
        seen = fold[rows.take] != number
        part = Rows(*(getattr(rows, k)[seen] for k in ("features", "truth", "weight", "take")))
        model = grow(part, which)
        left = np.flatnonzero(fold == number).tolist()
        for index, said in zip(left, say(model, left), strict=True):
            words[index] = said
    return words


@dataclass(slots=True)
class Grown:
    """Rows of each kind; the trains of each take, and what trees that never saw its bench say."""

    clicks: Rows
    trains: Rows
    wholes: Rows
    steps: list[list[TrainStep]]
    told: list[Floats]


def learn(heard: Sequence[Heard]) -> Grown:
    """All rows: those of trains and of whole moves hold what other trees say, left out by bench."""
    clicks = click_rows(heard)
    words = stacked(
        heard, clicks, "click", lambda model, left: words_of(model, [heard[i] for i in left])
    )
    steps = [steps_of(one, said) for one, said in zip(heard, words, strict=True)]
    trains = train_rows(heard, steps)

    def say(model: Any, left: list[int]) -> list[Floats]:
        return said_of(model, [[step.features for step in steps[i]] for i in left])

    told = stacked(heard, trains, "train", say)
    return Grown(clicks, trains, whole_rows(heard, steps, told), steps, told)


def check(heard: Sequence[Heard]) -> None:
    """Judge each take with trees that never saw its bench; print the rates of each source."""
    grown = learn(heard)
    wholes = grown.wholes
    at = {take: row for row, take in enumerate(wholes.take.tolist())}

    def say(model: Any, left: list[int]) -> list[Floats]:
        rows = wholes.features
        return said_of(model, [rows[at[i] : at[i] + 1].tolist() if i in at else [] for i in left])

    whole, settings = stacked(heard, wholes, "whole", say), DetectorSettings()
    for source, name in enumerate(SOURCES):
        skips: Counter[Verdict] = Counter()
        cleans: Counter[Verdict] = Counter()
        silent = 0
        for index, one in enumerate(heard):
            take = one.trace.take
            if one.source != source or take.label is Verdict.SLIP:
                continue
            told = grown.steps[index], grown.told[index].tolist()
            word = float(whole[index][0]) if len(whole[index]) else None
            train = one.trace.evidence(settings, told=told, word=word)
            verdict = one.trace.judge_by(train, settings).verdict
            if take.label is Verdict.CLEAN:
                cleans[verdict] += 1
            elif bench.note(take, "clicks") >= 2 and bench.note(take, "snr_db") > -12:
                skips[verdict] += 1
                silent += verdict is Verdict.CLEAN and not one.trace.clicks
        print(
            f"{name}: skips of two clicks and more, motor above -12 dB, called clean "
            f"{rate(skips[Verdict.CLEAN], skips.total())} (in {silent} of these no click was "
            f"found), void {rate(skips[Verdict.VOID], skips.total())}; clean called skip "
            f"{rate(cleans[Verdict.SKIP], cleans.total())}, void "
            f"{rate(cleans[Verdict.VOID], cleans.total())}",
            flush=True,
        )


def hear_batches(work: Path, batches: Sequence[Batch], jobs: int) -> list[Heard]:
    """What is heard of the takes of some batches; kept, and heard only where it was not yet."""
    heard: list[Heard] = []
    for batch in batches:
        folder = work / f"batch-{batch.bench_seed}"
        kept = folder / "heard.pickle"
        if not kept.exists():
            made = make_takes(folder, batch, jobs)
            kept.write_bytes(pickle.dumps(hear_takes(made, jobs)))
        heard += pickle.loads(kept.read_bytes())
    return heard


def write(which: str, model: Mixed) -> None:
    """Write the files of one kind, which are what ships from now on."""
    trees = as_trees(model.trees, GROWTHS[which].names)
    files = {FILES[which]: trees_to_json(trees)}
    if model.nets is not None:
        files[NET_FILES[which]] = nets_to_json(model.nets)
    for name, text in files.items():
        (ROOT / "detectors" / name).write_text(text, encoding="utf-8")
        print(f"wrote detectors/{name}")
    shipped_trees.cache_clear()
    shipped_nets.cache_clear()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--work", type=Path, required=True, help="folder for the takes")
    parser.add_argument("--jobs", type=int, default=-1)
    parser.add_argument("--check", action="store_true", help="cross-validate, write nothing")
    given = parser.parse_args()
    heard = hear_batches(given.work, BATCHES, given.jobs)
    if given.check:
        check(heard)
        return
    grown = learn(heard)
    write("click", grow(grown.clicks, "click"))
    write("train", grow(grown.trains, "train"))
    write("whole", grow(grown.wholes, "whole"))


if __name__ == "__main__":
    main()
