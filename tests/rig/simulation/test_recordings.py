"""The takes that ship: they load, they are split by bench, and they are small."""

from __future__ import annotations

from pathlib import Path

import pytest
import soundfile

from detectors.evidence import Verdict
from detectors.takes import TakeSet, load_take_set

RECORDINGS = Path(__file__).parents[3] / "recordings"


def whole(part: str) -> TakeSet:
    """All takes of one part."""
    folders = sorted(p.parent for p in (RECORDINGS / part).glob("*/takes.csv"))
    return TakeSet(tuple(take for folder in folders for take in load_take_set(folder)))


@pytest.mark.parametrize("part", ["tuning", "held-out"])
def test_every_take_is_there_and_labelled(part: str) -> None:
    takes = whole(part)
    assert len(takes) == 54
    assert len(takes.benches) == 9
    for take in takes:
        info = soundfile.info(str(take.path))
        assert info.channels == 1
        assert take.motion.end_s < info.duration
        assert take.label is not None
        assert (take.label is Verdict.SKIP) == (take.first_skip_s is not None)


def test_no_bench_is_in_both_parts_and_all_is_small() -> None:
    assert not set(whole("tuning").benches) & set(whole("held-out").benches)
    size = sum(p.stat().st_size for p in RECORDINGS.rglob("*") if p.is_file())
    assert size < 15e6
