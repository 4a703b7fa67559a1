"""The judge on made sound: the four words, and that blocks and gain do not matter."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from made_sound import MadeTake, make_take

from detectors.decision import Judge
from detectors.evidence import (
    CommandedMotion,
    Judgement,
    MotorGeometry,
    Reason,
    SoundBlock,
    Verdict,
)
from detectors.sources import FileSource
from detectors.takes import load_take_set
from rig.simulation.scenarios import random_bench
from rig.simulation.takes import make_take as make_virtual

SKIP_SEED = 9
RECORDINGS = Path(__file__).resolve().parents[2] / "recordings"
#: Takes of which something once depended on the blocks: the level changes, sound is lost, the rest
#: is a handful of values.
AWKWARD = {
    ("bench-8103", "take-001.flac"),
    ("bench-8106", "take-004.flac"),
    ("bench-8108", "take-002.flac"),
    ("bench-8109", "take-001.flac"),
}


def judge(
    take: MadeTake, *, sizes: list[int] | None = None, samples: np.ndarray | None = None
) -> Judgement:
    motion = CommandedMotion(speed_mm_s=take.speed_mm_s, start_s=take.start_s, end_s=take.end_s)
    judge = Judge(motion, take.geometry, sample_rate_hz=take.sample_rate_hz)
    x = np.asarray(take.samples if samples is None else samples, np.float32)
    sizes = sizes or [take.sample_rate_hz // 10]
    at, turn = 0, 0
    while at < len(x) and judge.decided is None:
        size = sizes[turn % len(sizes)]
        judge.hear(SoundBlock(x[at : at + size], at / take.sample_rate_hz))
        at, turn = at + size, turn + 1
    return judge.finish()


@pytest.fixture(scope="module")
def clean() -> MadeTake:
    return make_take(0, skip=False, room="fan", ratio_db=20, sample_rate_hz=16000, harm=False)


@pytest.fixture(scope="module")
def skipping() -> MadeTake:
    return make_take(
        SKIP_SEED,
        skip=True,
        room="fan",
        ratio_db=20,
        sample_rate_hz=16000,
        click_db=(25, 26),
        harm=False,
    )


def test_healthy_motor_is_clean(clean: MadeTake) -> None:
    result = judge(clean)
    assert (result.verdict, result.reason) == (Verdict.CLEAN, Reason.HEARD_THROUGHOUT)
    assert result.p_skip < 0.2
    assert result.heard > 0.9
    assert result.first_skip_s is None


def test_train_of_clicks_is_a_skip_and_is_told_before_the_end(skipping: MadeTake) -> None:
    result = judge(skipping)
    assert result.verdict is Verdict.SKIP
    assert result.p_skip > 0.8
    assert result.first_skip_s == pytest.approx(skipping.clicks_s[0], abs=0.1)
    assert result.clicks >= 2
    assert result.decided_s < skipping.end_s


@settings(max_examples=8, deadline=None, suppress_health_check=list(HealthCheck))
@given(sizes=st.lists(st.integers(1, 20000), min_size=1, max_size=5))
def test_blocks_of_any_size_give_the_same_judgement(
    clean: MadeTake, skipping: MadeTake, sizes: list[int]
) -> None:
    sizes = [max(size, 40) for size in sizes]
    for take in (clean, skipping):
        one, other = judge(take, sizes=[len(take.samples)]), judge(take, sizes=sizes)
        for name in ("verdict", "reason", "p_skip", "first_skip_s", "decided_s", "click_times_s"):
            assert getattr(one, name) == getattr(other, name), name


def test_nothing_of_what_is_told_depends_on_the_blocks() -> None:
    """Takes with clicks while the level changes, dropouts, slow motors, rests of silence."""
    takes = [
        take
        for take in load_take_set(RECORDINGS / "held-out")
        if (take.path.parent.name, take.file) in AWKWARD
    ]
    assert len(takes) == len(AWKWARD)
    for take in takes:
        told = []
        for block_s in (0.1, 0.73, 4.0, 60.0):
            with FileSource(take.path, block_s=block_s) as source:
                one = Judge(take.motion, take.geometry, sample_rate_hz=source.sample_rate_hz)
                for block in source:
                    one.hear(block)
                told.append(one.finish())
        for other in told[1:]:
            same = dataclasses.replace(other, details=told[0].details)
            assert same == told[0], take.path
            assert other.details == pytest.approx(told[0].details, rel=1e-6, abs=1e-6), take.path


@pytest.mark.parametrize("gain", [0.02, 0.3])
def test_gain_and_offset_do_not_matter(clean: MadeTake, skipping: MadeTake, gain: float) -> None:
    for take in (clean, skipping):
        x = take.samples / np.abs(take.samples).max()
        assert judge(take, samples=gain * x + 0.02).verdict is judge(take).verdict


def test_muted_is_silent(skipping: MadeTake) -> None:
    result = judge(skipping, samples=np.zeros_like(skipping.samples))
    assert (result.verdict, result.reason) == (Verdict.VOID, Reason.SILENT)


def in_16_bits(samples: np.ndarray, power: float) -> np.ndarray:
    """Sound of so little power, rounded to whole steps of 16 bits."""
    zero_mean = samples - samples.mean()
    return np.round(zero_mean * np.sqrt(power / np.mean(zero_mean**2)) * 2**15) / 2**15


def test_a_motor_too_quiet_for_16_bits_is_heard_in_more() -> None:
    """Below the power of a dead microphone, but at the commanded rate beyond doubt."""
    take = make_take(3, skip=False, room="fan", ratio_db=3, sample_rate_hz=16000, harm=False)
    factor = np.sqrt(1e-10 / np.mean(take.samples**2))
    assert judge(take, samples=factor * take.samples).verdict is Verdict.CLEAN
    rounded = judge(take, samples=in_16_bits(take.samples, 1e-10))
    assert (rounded.verdict, rounded.reason) == (Verdict.VOID, Reason.SILENT)
    assert "raise the gain" in rounded.explanation


def test_noise_of_the_least_bits_is_silent(clean: MadeTake) -> None:
    noise = np.random.default_rng(5).normal(size=len(clean.samples))
    for power in (2e-10, 5e-11):
        result = judge(clean, samples=in_16_bits(noise, power))
        assert (result.verdict, result.reason) == (Verdict.VOID, Reason.SILENT)


def test_sound_that_rounds_to_nothing_is_not_clean(skipping: MadeTake) -> None:
    """Clicks of a few least bits between samples that are nearly all nothing."""
    result = judge(skipping, samples=in_16_bits(skipping.samples, 1e-9))
    assert (result.verdict, result.reason) == (Verdict.VOID, Reason.SILENT)
    assert "raise the gain" in result.explanation


def test_samples_that_are_repeated_to_raise_the_rate_are_no_rounding(clean: MadeTake) -> None:
    assert clean.sample_rate_hz * 6 == 96_000
    take = dataclasses.replace(clean, samples=np.repeat(clean.samples, 6), sample_rate_hz=96_000)
    assert judge(take).verdict is Verdict.CLEAN


def test_overdriven_is_void(clean: MadeTake) -> None:
    x = clean.samples / np.abs(clean.samples).max()
    result = judge(clean, samples=np.clip(30 * x, -0.9, 0.9))
    assert (result.verdict, result.reason) == (Verdict.VOID, Reason.CLIPPED)


def test_file_that_ends_early_is_void(clean: MadeTake) -> None:
    half = int((clean.start_s + 0.5 * (clean.end_s - clean.start_s)) * clean.sample_rate_hz)
    result = judge(clean, samples=clean.samples[:half])
    assert (result.verdict, result.reason) == (Verdict.VOID, Reason.STREAM_LOST)


def test_dropout_in_the_move_is_void(clean: MadeTake) -> None:
    x = clean.samples.copy()
    start = int((clean.start_s + 0.6) * clean.sample_rate_hz)
    x[start : start + int(0.5 * clean.sample_rate_hz)] = 0.0
    result = judge(clean, samples=x)
    assert (result.verdict, result.reason) == (Verdict.VOID, Reason.STREAM_LOST)


def test_room_without_a_motor_is_void() -> None:
    rng = np.random.default_rng(5)
    take = make_take(0, skip=False, sample_rate_hz=16000, harm=False)
    result = judge(take, samples=0.01 * rng.normal(size=len(take.samples)))
    assert result.verdict is Verdict.VOID
    assert result.reason in (Reason.MOTOR_NOT_HEARD, Reason.WRONG_STEP_RATE)


def slow_motor(take: MadeTake, *, stays: bool = False, speed: float = 1.0) -> MadeTake:
    """A virtual motor whose slow microsteps do not show their rate; it may run on after the move.

    Args:
        take: Whose other fields are kept.
        stays: Whether it runs on.
        speed: What is said to have been commanded, over what was.
    """
    model, rate = random_bench(1_277_000_068), 44100
    made = make_virtual(model, seed=1_277_000_068_008, sample_rate_hz=rate)
    assert (made.label, "clicks=0" in made.note) == ("clean", True)
    samples = made.samples.copy()
    if stays:
        end, count = int((made.end_s - 0.05) * rate), rate
        rest = np.arange(len(samples) - end) % count
        samples[end:] = samples[end - count : end][rest]
    return dataclasses.replace(
        take,
        samples=samples,
        sample_rate_hz=rate,
        speed_mm_s=made.speed_mm_s * speed,
        start_s=made.start_s,
        end_s=made.end_s,
        geometry=MotorGeometry(
            steps_per_turn=round(4 * model.motor.rotor_teeth),
            filament_per_motor_turn_mm=2 * np.pi * model.motor.feed_mm_rad,
        ),
    )


def test_slow_motor_without_a_rate_is_heard_by_coming_and_going_with_the_move(
    clean: MadeTake,
) -> None:
    result = judge(slow_motor(clean))
    assert (result.verdict, result.reason) == (Verdict.CLEAN, Reason.HEARD_THROUGHOUT)
    assert "its rate is not in the sound" in result.explanation
    assert result.details["rate_heard"] == 0.0
    assert result.details["passing_db"] > 10.0


def test_what_stays_after_the_move_or_is_fast_must_be_heard_at_its_rate(clean: MadeTake) -> None:
    for take in (slow_motor(clean, stays=True), slow_motor(clean, speed=4.3)):
        result = judge(take)
        assert result.verdict is Verdict.VOID
        assert result.reason in (Reason.MOTOR_NOT_HEARD, Reason.WRONG_STEP_RATE)


@pytest.mark.parametrize("ratio", [0.62, 0.83, 1.19, 1.37])
def test_motor_at_another_rate_is_void(clean: MadeTake, ratio: float) -> None:
    other = dataclasses.replace(clean, speed_mm_s=clean.speed_mm_s / ratio)
    result = judge(other)
    assert result.verdict is Verdict.VOID, result


def test_lost_samples_are_noticed(clean: MadeTake) -> None:
    motion = CommandedMotion(speed_mm_s=clean.speed_mm_s, start_s=clean.start_s, end_s=clean.end_s)
    judge_ = Judge(motion, clean.geometry, sample_rate_hz=clean.sample_rate_hz)
    x, rate = clean.samples.astype(np.float32), clean.sample_rate_hz
    middle = int((clean.start_s + 1.0) * rate)
    judge_.hear(SoundBlock(x[:middle], 0.0))
    judge_.hear(SoundBlock(x[middle:], middle / rate, lost=True))
    assert judge_.finish().reason is Reason.STREAM_LOST


def test_single_knock_is_never_a_skip() -> None:
    verdicts = [
        judge(make_take(seed, skip=False, room="knock", ratio_db=15, sample_rate_hz=16000)).verdict
        for seed in range(40, 48)
    ]
    assert Verdict.SKIP not in verdicts


@pytest.mark.parametrize(("room", "most"), [("speech", 1), ("music", 0)])
def test_speech_and_music_are_hardly_ever_skips(room: str, most: int) -> None:
    """About one talk of fifty sounds like clicks, and no music of a hundred."""
    takes = (
        make_take(seed, skip=False, room=room, ratio_db=12, sample_rate_hz=16000)
        for seed in range(60, 84)
    )
    assert sum(judge(take).verdict is Verdict.SKIP for take in takes) <= most


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    steps_per_s=st.floats(-1.0, 4.3).map(lambda power: 10.0**power),
    rate_hz=st.sampled_from([8000, 11025, 16000, 44100]),
    rests_s=st.tuples(st.floats(0.0, 1.0), st.floats(0.0, 1.0)),
    move_s=st.floats(0.0, 5.0),
    heard_part=st.floats(0.0, 1.0),
    knocks=st.integers(0, 12),
    seed=st.integers(0, 99),
)
def test_there_is_a_verdict_at_any_speed_and_length(
    steps_per_s: float,
    rate_hz: int,
    rests_s: tuple[float, float],
    move_s: float,
    heard_part: float,
    knocks: int,
    seed: int,
) -> None:
    """From a step in ten seconds to more than sound can hold; moves of nothing; sound cut off."""
    rng = np.random.default_rng(seed)
    geometry = MotorGeometry(200, 20.0, 1.0)
    motion = CommandedMotion(
        speed_mm_s=steps_per_s / geometry.step_rate_hz(1.0),
        start_s=rests_s[0],
        end_s=rests_s[0] + move_s,
    )
    count = int(sum(rests_s, move_s) * heard_part * rate_hz)
    samples = 0.01 * rng.normal(size=count)
    for at in rng.integers(0, max(1, count), knocks):
        samples[at : at + 200] *= 30.0
    one = Judge(motion, geometry, sample_rate_hz=rate_hz)
    for begin in range(0, count, 4096):
        one.hear(SoundBlock(samples[begin : begin + 4096].astype(np.float32), begin / rate_hz))
    result = one.finish()
    assert 0.0 <= result.p_skip <= 1.0
    assert all(np.isfinite(value) for value in result.details.values())
