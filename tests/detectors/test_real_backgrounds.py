"""The judge under sound that was recorded in the world, from packages of the system.

What is played, and under which licences, is told in `real_room`. Only recordings that nothing was
grown or tuned on are used. The rates themselves are printed by
``python tests/benchmarks/bench_detector.py``; the limits here are wide enough for twenty takes.
"""

from __future__ import annotations

import numpy as np
import pytest
from made_sound import make_take
from real_room import need_recordings, real_room, recordings

from detectors.decision import Judge
from detectors.evidence import CommandedMotion, Judgement, SoundBlock, Verdict

SEEDS = range(900, 940)


def judged(seed: int, *, skip: bool) -> tuple[Judgement, str]:
    take = make_take(seed, skip=skip, room="quiet", ratio_db=35, sample_rate_hz=32000, harm=False)
    samples, name, _ = real_room(
        np.random.default_rng([seed, 3]),
        take.samples,
        sample_rate_hz=take.sample_rate_hz,
        start_s=take.start_s,
        end_s=take.end_s,
        files=recordings("held-out"),
    )
    motion = CommandedMotion(speed_mm_s=take.speed_mm_s, start_s=take.start_s, end_s=take.end_s)
    judge = Judge(motion, take.geometry, sample_rate_hz=take.sample_rate_hz)
    judge.hear(SoundBlock(samples.astype(np.float32), 0.0))
    return judge.finish(), name


@pytest.fixture(scope="module")
def healthy() -> list[tuple[Judgement, str]]:
    need_recordings("held-out")
    return [judged(seed, skip=False) for seed in SEEDS]


@pytest.fixture(scope="module")
def skipping() -> list[tuple[Judgement, str]]:
    need_recordings("held-out")
    return [judged(seed, skip=True) for seed in SEEDS]


def test_healthy_motors_are_hardly_ever_called_skipping(
    healthy: list[tuple[Judgement, str]],
) -> None:
    wrong = [(name, j.details["llr"]) for j, name in healthy if j.verdict is Verdict.SKIP]
    assert len(wrong) <= 3, wrong


def test_skipping_motors_are_hardly_ever_called_clean(
    skipping: list[tuple[Judgement, str]],
) -> None:
    wrong = [(name, j.details["llr"]) for j, name in skipping if j.verdict is Verdict.CLEAN]
    assert len(wrong) <= 2, wrong


def test_most_are_told(
    healthy: list[tuple[Judgement, str]], skipping: list[tuple[Judgement, str]]
) -> None:
    assert sum(j.verdict is Verdict.CLEAN for j, _ in healthy) >= 28
    assert sum(j.verdict is Verdict.SKIP for j, _ in skipping) >= 28
