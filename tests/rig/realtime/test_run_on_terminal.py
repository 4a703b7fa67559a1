"""A whole run through a real pseudo-terminal, on the wall clock: a process drives, another serves.

The encoder is the witness here, so that no sound system is needed; `test_run_by_ear` has the sound.
"""

from __future__ import annotations

import re
import sys
from pathlib import Path

import pytest
from served_bench import (
    ask,
    bench_file,
    bracket_of,
    run_bench,
    serve_bench,
    trials_of,
    true_threshold_mm_s,
)

pytestmark = [
    pytest.mark.realtime,
    pytest.mark.skipif(sys.platform == "win32", reason="Windows has no pseudo-terminals"),
]


def test_a_run_through_a_pseudo_terminal_finds_the_threshold_and_leaves_all_cold(
    tmp_path: Path,
) -> None:
    out = tmp_path / "run"
    with serve_bench(tmp_path) as served:
        found = ask(served.port, "M906")
        done = run_bench(bench_file(tmp_path, served), out)
        left = ask(served.port, "M105", "M906")
    assert done.returncode == 0, done.stdout + done.stderr
    clean_mm_s, skip_mm_s = bracket_of(out)
    truth = true_threshold_mm_s(0.25)
    # A move just above the threshold may end before the motor has lost its first cycle.
    assert clean_mm_s <= 1.05 * truth
    assert skip_mm_s >= 0.95 * truth
    assert skip_mm_s / clean_mm_s <= 1.45
    verdicts = {verdict for _, verdict, _ in trials_of(out)}
    assert {"clean", "skip"} <= verdicts
    target_c = re.search(r"T0?:[\d.]+ /([\d.]+)", left)
    assert target_c is not None, left
    assert float(target_c[1]) == 0.0, left
    current_ma = re.search(r"E driver current: (\d+)", found)
    assert current_ma is not None, found
    assert current_ma[0] in left
