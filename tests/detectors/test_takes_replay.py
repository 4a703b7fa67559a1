"""Take sets on disk, replay over them, detector files, tuning and learning a bench."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
import soundfile
from made_sound import MadeTake, make_take

from detectors.errors import DetectorFileError, TakeError
from detectors.evidence import CommandedMotion, SoundBlock, Verdict
from detectors.listen import Recording, baseline_text, learn_bench, read_baseline, save_baseline
from detectors.replay import replay
from detectors.settings import DetectorSettings, load_detector, save_detector
from detectors.sources import FileSource, SoundSource
from detectors.takes import collect_takes, files_below, load_take_set, read_geometry
from detectors.tuning import tune

HEADER = "file,speed_mm_s,current_a,start_s,end_s,label,first_skip_s,note\n"


def bench_text(take: MadeTake) -> str:
    return (
        f"[motor]\nsteps_per_turn = {take.geometry.steps_per_turn}\n[drive]\ngear_ratio = 1\n"
        f"filament_per_turn_mm = {take.geometry.filament_per_motor_turn_mm!r}\n"
    )


def write_set(folder: Path, takes: dict[str, MadeTake]) -> Path:
    folder.mkdir(exist_ok=True, parents=True)
    rows = []
    for name, take in takes.items():
        soundfile.write(folder / name, take.samples, take.sample_rate_hz, subtype="PCM_16")
        first = f"{take.clicks_s[0]:.4f}" if take.label == "skip" else ""
        rows.append(
            f"{name},{take.speed_mm_s!r},0.4,{take.start_s:.4f},{take.end_s:.4f},"
            f"{take.label},{first},made\n"
        )
    (folder / "takes.csv").write_text(HEADER + "".join(rows))
    (folder / "bench.toml").write_text(bench_text(next(iter(takes.values()))))
    return folder


def quiet(seed: int, *, skip: bool) -> MadeTake:
    return make_take(
        seed,
        skip=skip,
        room="quiet",
        ratio_db=25,
        sample_rate_hz=16000,
        click_db=(24, 28),
        harm=False,
    )


@pytest.fixture(scope="module")
def one_set(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_set(tmp_path_factory.mktemp("sets") / "one", {"a.wav": quiet(9, skip=True)})


def test_replay_document(one_set: Path) -> None:
    document = replay([one_set], jobs=1)
    [entry] = json.loads(json.dumps(document, allow_nan=False))["takes"]
    assert entry["file"] == "a.wav"
    assert entry["verdict"] == "skip"
    for key in ("reason", "p_skip", "first_skip_s", "decided_s", "clicks", "heard"):
        assert entry[key] is not None, key
    assert entry["clicks"] >= 2


@pytest.mark.parametrize("damage", ["missing", "garbage", "cut", "empty"])
def test_a_broken_file_is_void_and_the_others_are_judged(tmp_path: Path, damage: str) -> None:
    folder = write_set(
        tmp_path / "set", {"a.flac": quiet(9, skip=True), "b.flac": quiet(9, skip=True)}
    )
    broken = folder / "a.flac"
    if damage == "missing":
        broken.unlink()
    elif damage == "garbage":
        broken.write_bytes(np.random.default_rng(1).bytes(5000))
    elif damage == "empty":
        broken.write_bytes(b"")
    else:
        broken.write_bytes(broken.read_bytes()[:9000])
    first, second = replay([folder], jobs=1)["takes"]
    assert first["verdict"] == "void"
    assert first["reason"] in ("unreadable", "stream-lost")
    assert second["verdict"] == "skip"


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("a.wav,fast,0.4,1,2,clean,,", "row 2: speed_mm_s = 'fast'"),
        ("a.wav,-3,0.4,1,2,clean,,", "speed_mm_s = '-3'"),
        ("a.wav,3,0.4,2,1,clean,,", "end_s = 1 must be after start_s = 2"),
        ("a.wav,3,0.4,1,2,skipped,,", "label = 'skipped' must be empty or one of clean"),
        ("a.wav,3,0.4,nan,2,clean,,", "start_s = 'nan'"),
        (",3,0.4,1,2,clean,,", "file is empty"),
    ],
)
def test_wrong_rows_are_named(tmp_path: Path, row: str, says: str) -> None:
    (tmp_path / "takes.csv").write_text(HEADER + row + "\n")
    (tmp_path / "bench.toml").write_text("[drive]\nfilament_per_turn_mm = 22.0\n")
    with pytest.raises(TakeError) as caught:
        load_take_set(tmp_path)
    assert says in str(caught.value)
    assert "\n" not in str(caught.value)


def test_missing_column_bench_and_folder_are_named(tmp_path: Path) -> None:
    (tmp_path / "takes.csv").write_text("file,start_s,end_s\n")
    with pytest.raises(TakeError, match="column speed_mm_s is missing"):
        load_take_set(tmp_path)
    (tmp_path / "takes.csv").write_text(HEADER)
    with pytest.raises(TakeError, match=r"bench\.toml: cannot be read"):
        load_take_set(tmp_path)
    with pytest.raises(TakeError, match="no such file or folder"):
        load_take_set(tmp_path / "nowhere")


@pytest.mark.parametrize(
    ("text", "ratio", "per_turn"),
    [
        ('gear_ratio = "50:17"\nfilament_per_turn_mm = 22.5', 50 / 17, 22.5 * 17 / 50),
        ('gear_ratio = "50:17 40:20"\nfilament_per_turn_mm = 22.5', 100 / 17, 22.5 * 17 / 100),
        ("gear_ratio = 3\neffective_diameter_mm = 11.0", 3.0, math.pi * 11 / 3),
    ],
)
def test_geometry_of_a_bench(tmp_path: Path, text: str, ratio: float, per_turn: float) -> None:
    (tmp_path / "bench.toml").write_text(f"[drive]\n{text}\n")
    geometry = read_geometry(tmp_path / "bench.toml")
    assert geometry.gear_ratio == pytest.approx(ratio)
    assert geometry.filament_per_motor_turn_mm == pytest.approx(per_turn)
    assert geometry.steps_per_turn == 200


@pytest.mark.parametrize("steps", ["201", "2", "1004", "200.5"])
def test_steps_that_make_no_whole_cycles_are_refused(tmp_path: Path, steps: str) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(f"[motor]\nsteps_per_turn = {steps}\n[drive]\nfilament_per_turn_mm = 22.5\n")
    with pytest.raises(TakeError, match=rf"steps_per_turn = {steps} must be a multiple of 4"):
        read_geometry(path)


def test_single_files(one_set: Path, tmp_path: Path) -> None:
    assert len(collect_takes([one_set / "a.wav"])) == 1
    lone = tmp_path / "lone.wav"
    lone.write_bytes((one_set / "a.wav").read_bytes())
    with pytest.raises(TakeError, match="give --speed and --bench"):
        collect_takes([lone])
    geometry = read_geometry(one_set / "bench.toml")
    assert len(collect_takes([lone], speed_mm_s=3.0, geometry=geometry)) == 1


def test_file_source_is_a_sound_source(one_set: Path) -> None:
    with FileSource(one_set / "a.wav", block_s=0.1) as source:
        assert isinstance(source, SoundSource)
        blocks = list(source)
    whole, _ = soundfile.read(one_set / "a.wav", dtype="float32")
    assert np.array_equal(np.concatenate([block.samples for block in blocks]), whole)
    assert blocks[1].start_s == pytest.approx(0.1)


def test_detector_file_comes_back(tmp_path: Path) -> None:
    settings = DetectorSettings(decide_skip=9.25, heard_z=4.5)
    save_detector(tmp_path / "d.toml", settings, note="two\nlines")
    assert load_detector(tmp_path / "d.toml") == settings


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("format = 3\n[detector]\ndecide_skp = 3\n", "did you mean decide_skip"),
        ('format = 3\n[detector]\ndecide_skip = "3"\n', "must be a number"),
        ("format = 7\n", "is not 3"),
        ("what", "no detector file"),
        ("format = 3\n[detector]\ndecide_skip = inf\n", "finite"),
    ],
)
def test_wrong_detector_files(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "d.toml").write_text(text)
    with pytest.raises(DetectorFileError, match=says):
        load_detector(tmp_path / "d.toml")


def test_tuning_on_few_takes(tmp_path: Path) -> None:
    for bench in range(3):
        takes = {f"c{k}.wav": quiet(20 + 10 * bench + k, skip=False) for k in range(2)}
        write_set(tmp_path / f"b{bench}", takes)
    with pytest.raises(TakeError, match="at least 5 of each"):
        tune(load_take_set(tmp_path), jobs=1)
    # One bench a take, since each made take invents its own motor.
    for k in range(6):
        for skip in (False, True):
            name = f"{'s' if skip else 'c'}{k}"
            write_set(tmp_path / "more" / name, {f"{name}.wav": quiet(100 + k, skip=skip)})
    result = tune(load_take_set(tmp_path / "more"), jobs=1, folds=3)
    assert (result.benches, result.takes) == (12, 12)
    assert result.held_out.false_skip.count == 0
    assert result.held_out.missed.upper <= 1.0
    # A dozen takes that are easily told apart say nothing of how rare errors are.
    given = DetectorSettings()
    assert result.settings.decide_skip == pytest.approx(given.decide_skip, abs=0.3)
    assert result.settings.suspect_skip == pytest.approx(given.suspect_skip, abs=0.3)
    json.dumps(result.held_out.to_document(), allow_nan=False)


def recording(take: MadeTake, samples: np.ndarray | None = None) -> Recording:
    motion = CommandedMotion(speed_mm_s=take.speed_mm_s, start_s=take.start_s, end_s=take.end_s)
    sound = np.asarray(take.samples if samples is None else samples, np.float32)
    return Recording([SoundBlock(sound, 0.0)], take.sample_rate_hz, motion)


def test_listen_blesses_a_bench_on_which_skips_can_be_told(tmp_path: Path) -> None:
    good, bad = quiet(9, skip=False), quiet(9, skip=True)
    baseline = learn_bench([recording(good)], [recording(bad)], bad.geometry)
    assert baseline.blessed, baseline
    assert baseline.separation_db > 3.0
    save_baseline(tmp_path / "d.toml", baseline)
    assert load_detector(tmp_path / "d.toml") == baseline.settings
    assert read_baseline(tmp_path / "d.toml")["separation_db"] == pytest.approx(
        baseline.separation_db, abs=0.01
    )


def test_listen_refuses_a_bench_on_which_it_cannot_tell() -> None:
    good = quiet(9, skip=False)
    baseline = learn_bench([recording(good)], [recording(good)], good.geometry)
    assert not baseline.blessed
    assert any("was not heard" in line for line in baseline.advice)
    with pytest.raises(DetectorFileError, match="cannot be told"):
        baseline_text(baseline)
    mute = recording(good, np.zeros(len(good.samples)))
    dead = learn_bench([mute], [mute], good.geometry)
    assert dead.advice == (
        "The microphone delivers silence: check its switch, its mute and the device.",
    )


def test_seeds_make_what_they_say() -> None:
    assert Verdict(quiet(9, skip=True).label) is Verdict.SKIP
    assert Verdict(quiet(9, skip=False).label) is Verdict.CLEAN


def test_links_to_folders_are_followed_and_no_folder_is_read_twice(tmp_path: Path) -> None:
    real = tmp_path / "real"
    real.mkdir()
    (real / "takes.csv").write_text("file\n")
    (real / "round").symlink_to(tmp_path, target_is_directory=True)
    given = tmp_path / "given"
    given.mkdir()
    (given / "set").symlink_to(real, target_is_directory=True)
    assert list(files_below(given, "takes.csv")) == [given / "set" / "takes.csv"]
    assert list(files_below(real)) == [real / "takes.csv"]
