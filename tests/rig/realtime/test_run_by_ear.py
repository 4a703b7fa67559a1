"""The same by ear: the virtual bench is played into a sound server, PortAudio hears it."""

from __future__ import annotations

from pathlib import Path

import pytest
from served_bench import (
    bench_file,
    bracket_of,
    run_bench,
    serve_bench,
    trials_of,
    true_threshold_mm_s,
)

pytestmark = pytest.mark.realtime


def test_a_run_hears_the_threshold_through_portaudio(
    tmp_path: Path, sound_server: dict[str, str]
) -> None:
    out = tmp_path / "run"
    with serve_bench(tmp_path, options=("--play-on", "pulse"), extra=sound_server) as served:
        bench = bench_file(tmp_path, served, microphone="pulse", counter=False, steady_s=3.0)
        done = run_bench(bench, out, extra=sound_server)
    assert done.returncode == 0, done.stdout + done.stderr
    truth = true_threshold_mm_s(0.25)
    clean_mm_s, skip_mm_s = bracket_of(out)
    assert clean_mm_s <= 1.05 * truth
    assert skip_mm_s >= 0.95 * truth
    verdicts = {verdict for _, verdict, _ in trials_of(out)}
    assert {"clean", "skip"} <= verdicts
    assert sorted((out / "audio").glob("*.flac"))
