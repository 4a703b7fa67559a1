"""Made takes: the contract of the table, and labels that follow the rotor."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
import soundfile

from rig.bench import load_bench
from rig.simulation.scenarios import random_bench
from rig.simulation.takes import COLUMNS, main, make_take


def test_a_set_on_disk_keeps_the_contract(tmp_path: Path) -> None:
    assert main([str(tmp_path), "--benches", "1", "--per-bench", "6", "--seed", "41"]) == 0
    folder = tmp_path / "bench-41"
    bench = load_bench(folder / "bench.toml")
    model = random_bench(41)
    assert bench.geometry().filament_per_cycle_mm == (pytest.approx(model.cycle_mm, rel=1e-3))
    with (folder / "takes.csv").open(newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == COLUMNS
    for row in rows:
        info = soundfile.info(folder / row["file"])
        assert info.channels == 1
        assert row["label"] in {"clean", "skip", "slip", "void"}
        assert 0.5 <= float(row["start_s"]) < float(row["end_s"]) < info.duration - 0.3
        assert (row["label"] == "skip") == (row["first_skip_s"] != "")


def test_far_beyond_the_threshold_motors_skip_all_the_time() -> None:
    model = random_bench(3)
    takes = [make_take(model, seed=3100 + k, sample_rate_hz=16000, far=True) for k in range(8)]
    shares = [float(take.note.split()[0].removeprefix("x=")) for take in takes]
    assert all(1.0 <= share <= 12.0 for share in shares)
    assert max(shares) > 4.0
    assert sum(take.label == "skip" for take in takes) >= 6


def test_takes_are_the_same_again_and_of_all_kinds() -> None:
    model = random_bench(3)
    kinds: dict[str, int] = {}
    for k in range(16):
        take = make_take(model, seed=3000 + k, sample_rate_hz=16000)
        kinds[take.label] = kinds.get(take.label, 0) + 1
        if take.first_skip_s is not None:
            assert take.start_s <= take.first_skip_s <= take.end_s + 0.5
        assert np.abs(take.samples).max() <= 1.0
    again = make_take(model, seed=3000, sample_rate_hz=16000)
    assert np.array_equal(again.samples, make_take(model, seed=3000, sample_rate_hz=16000).samples)
    assert kinds["clean"] >= 4
    assert kinds["skip"] >= 4
