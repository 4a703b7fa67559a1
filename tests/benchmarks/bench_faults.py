"""Faults on the wire of whole campaigns: the safe state, and every finished trial on disk?

    python tests/benchmarks/bench_faults.py [--campaigns 2000] [--faults 5] [--seed 1]

Each campaign on the virtual bench meets a few faults of random kinds at random lines. At its end
the heater has to be off, or the person told in plain words to switch the printer off; the run
current back, or the same; and the ledger has to hold just the trials that were finished. Prints
what went wrong, and the upper 95 % bound of that rate. `bench_link_faults.py` does the same on the
link alone, where ten thousand runs take minutes.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "rig" / "campaign"))

from faulty_run import Outcome, run_with_faults

from detectors.scores import rate
from rig.simulation.faults import FAULTS, Fault

KINDS = [name for name in FAULTS if not name.startswith("template")]
LINES = 330  # an undisturbed campaign sends about this many


def one(given: tuple[int, int, int]) -> Outcome:
    """One campaign with its own dice."""
    seed, number, count = given
    dice = random.Random(seed * 1_000_003 + number)
    faults = [
        Fault(dice.choice(KINDS), at_command=dice.randint(1, LINES))
        for _ in range(dice.randint(1, 2 * count - 1))
    ]
    with tempfile.TemporaryDirectory() as folder:
        return run_with_faults(faults, Path(folder) / "run")


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--campaigns", type=int, default=2000)
    parser.add_argument("--faults", type=int, default=5, help="mean number a campaign")
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    struck: Counter[str] = Counter()
    ended: Counter[str] = Counter()
    trials, wrong = 0, []
    jobs = ((given.seed, number, given.faults) for number in range(given.campaigns))
    with ProcessPoolExecutor() as pool:
        for number, outcome in enumerate(pool.map(one, jobs, chunksize=4)):
            struck.update(outcome.struck)
            ended[outcome.ended.partition(":")[0]] += 1
            trials += outcome.trials
            if outcome.wrong:
                wrong.append(number)
                print(f"campaign {number}: {'; '.join(outcome.wrong)} {outcome.struck}", flush=True)
    print(f"{given.campaigns} campaigns, {sum(struck.values())} faults, {trials} finished trials")
    print("ended: " + ", ".join(f"{kind} {count}" for kind, count in ended.most_common()))
    print("struck: " + ", ".join(f"{kind} {count}" for kind, count in struck.most_common()))
    print(f"ended wrong: {rate(len(wrong), given.campaigns)}")


if __name__ == "__main__":
    main()
