"""Each fault of the wire once in a campaign: the safe state, and every finished trial on disk.

`tests/benchmarks/bench_faults.py` does the same thousands of times, at random places.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from faulty_run import run_with_faults

from rig.simulation.faults import FAULTS, Fault

#: Templates are another dialect's.
NAMES = [name for name in FAULTS if not name.startswith("template")]


@pytest.mark.parametrize("name", NAMES)
def test_a_fault_ends_safely_or_is_overcome(name: str, tmp_path: Path) -> None:
    outcome = run_with_faults([Fault(name, at_command=90)], tmp_path / "run")
    assert outcome.wrong == ()
    assert outcome.struck == (name,) or name == "connect-garbage"


@pytest.mark.parametrize("name", ["lost-ok", "surplus-ok", "flipped-bit", "split-ok", "glued-nul"])
def test_a_harmless_fault_does_not_stop_the_run(name: str, tmp_path: Path) -> None:
    faults = [Fault(name, at_command=number) for number in (60, 100, 140)]
    outcome = run_with_faults(faults, tmp_path / "run")
    assert outcome.wrong == ()
    assert outcome.ended == "done"
