"""What tuning to own takes gains: ``tests/benchmarks/bench_tuning.py [--takes 400] [MAKER ...]``.

Makes labelled takes of makers of sound that the shipped detector is worst at, each take a bench of
its own with a motor and a room of its own, tunes the detector to them, and prints the rates before
and after, the latter for benches left out (`detectors.tuning`). The recorded rooms under them are
those that nothing was grown on.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

import bench_detector as bench
from joblib import Parallel, delayed
from real_room import recordings

from detectors.scores import Scores
from detectors.takes import TakeSet
from detectors.tuning import tune

#: First seeds; nothing else uses them.
SEEDS = {"falls": 3_573_000_000, "rotor": 3_583_000_000, "grains": 3_591_000_000}


def told(scores: Scores) -> str:
    rates = {
        "skips called clean": scores.missed,
        "clean called skip": scores.false_skip,
        "skips void": scores.void_skip,
        "clean void": scores.void_clean,
    }
    return ", ".join(f"{name} {value}" for name, value in rates.items())


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("makers", nargs="*", default=list(SEEDS), help=f"of {', '.join(SEEDS)}")
    parser.add_argument("--takes", type=int, default=400)
    given = parser.parse_args()
    files = recordings("held-out")
    for name in given.makers:
        with tempfile.TemporaryDirectory() as place:
            takes = Parallel(n_jobs=-1)(
                delayed(bench.write_made)(Path(place), SEEDS[name] + k, maker=name, files=files)
                for k in range(given.takes)
            )
            result = tune(TakeSet(tuple(takes)))
        print(f"{name} sound, {result.takes} takes")
        print(f"  before: {told(result.before)}")
        print(f"  tuned, benches left out: {told(result.held_out)}", flush=True)


if __name__ == "__main__":
    main()
