"""Sound files that are broken, odd, or not what their name says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile

from detectors.errors import TakeError
from detectors.frames import hop_facts
from detectors.sources import FileSource

RATE_HZ = 16000


def noise(seconds: float) -> np.ndarray:
    return 0.2 * np.random.default_rng(3).normal(size=int(seconds * RATE_HZ))


def test_a_broken_flac_is_read_up_to_its_break(tmp_path: Path) -> None:
    sound = noise(6.0)
    whole = tmp_path / "whole.flac"
    soundfile.write(whole, sound, RATE_HZ, subtype="PCM_16")
    cut = tmp_path / "cut.flac"
    cut.write_bytes(whole.read_bytes()[: whole.stat().st_size // 2])
    blocks = []
    with FileSource(cut, block_s=4.0) as source, pytest.raises(TakeError) as caught:
        blocks.extend(source)  # keeps what came before the break
    heard = np.concatenate([block.samples for block in blocks])
    starts = np.cumsum([0, *(len(block.samples) for block in blocks)])[:-1] / RATE_HZ
    assert [block.start_s for block in blocks] == pytest.approx(starts)
    assert np.abs(heard - sound[: len(heard)]).max() < 1e-4
    assert 2.0 < len(heard) / RATE_HZ < 3.0
    assert f"breaks off at {len(heard) / RATE_HZ:.2f} s" in str(caught.value)


def test_channels_that_cancel_are_not_silence(tmp_path: Path) -> None:
    sound = noise(1.0)
    path = tmp_path / "against.wav"
    soundfile.write(path, np.stack([sound, -sound], axis=1), RATE_HZ, subtype="FLOAT")
    with FileSource(path) as source:
        heard = np.concatenate([block.samples for block in source])
    assert np.allclose(np.abs(heard), np.abs(sound), atol=1e-6)


def test_channels_are_otherwise_reduced_to_their_mean(tmp_path: Path) -> None:
    sound = np.stack([noise(1.0), 0.1 * noise(1.0)[::-1]], axis=1)
    path = tmp_path / "both.wav"
    soundfile.write(path, sound, RATE_HZ, subtype="FLOAT")
    with FileSource(path) as source:
        heard = np.concatenate([block.samples for block in source])
    assert np.allclose(heard, sound.mean(axis=1), atol=1e-6)


def test_what_is_no_file_says_what_it_is(tmp_path: Path) -> None:
    (tmp_path / "folder.wav").mkdir()
    (tmp_path / "empty.wav").touch()
    for name, words in (
        ("folder.wav", "it is a folder"),
        ("empty.wav", "the file is empty"),
        ("none.wav", "no such file"),
    ):
        with pytest.raises(TakeError, match=words):
            FileSource(tmp_path / name)


def test_eight_bits_are_no_clipping() -> None:
    slow = 0.3 * np.sin(2 * np.pi * 60.0 * np.arange(RATE_HZ) / RATE_HZ)
    fine = slow.astype(np.float32)
    coarse = (np.round(slow * 128) / 128).astype(np.float32)
    held = np.clip(fine, -0.2, 0.2)
    full = np.clip((np.round(3.5 * slow * 128) / 128), -1.0, 1.0 - 1 / 128).astype(np.float32)
    railed = [int(hop_facts(x, 40).railed.sum()) for x in (fine, coarse, held, full)]
    assert railed[:2] == [0, 0]
    assert min(railed[2:]) > 1000
