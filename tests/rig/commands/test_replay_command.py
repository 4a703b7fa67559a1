"""``stallcurve replay``: take sets, folders, sound files and past runs, and wrong lists."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
import soundfile
from virtual_benches import HARBOUR, TAKES

from detectors.evidence import Reason, Verdict
from detectors.sources import FileSource
from rig.bench import load_bench
from rig.cli import run
from rig.ledger import Ledger
from rig.records import TrialOrder, TrialRecord

KEYS = {"file", "verdict", "reason", "p_skip", "first_skip_s", "decided_s", "clicks", "heard"}
SET = TAKES / "held-out" / "bench-8101"


@pytest.fixture(autouse=True)
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    return tmp_path


def replayed(capsys: pytest.CaptureFixture[str], *words: str) -> list[dict[str, object]]:
    """What ``replay --json`` says of takes; every entry has to keep the contract."""
    assert run(["replay", *words, "--json"]) == 0
    spoken = capsys.readouterr()
    assert spoken.err == ""
    document = json.loads(spoken.out)
    for entry in document["takes"]:
        assert entry.keys() >= KEYS
        assert entry["verdict"] in list(Verdict)
        assert entry["reason"] in list(Reason)
        assert 0.0 <= entry["p_skip"] <= 1.0
    return document["takes"]


def test_a_take_set(capsys: pytest.CaptureFixture[str]) -> None:
    takes = replayed(capsys, str(SET))
    assert [take["file"] for take in takes] == [f"take-{n:03d}.flac" for n in range(6)]
    assert {take["verdict"] for take in takes} >= {"clean", "skip"}


def test_sets_folders_lists_and_files_together(capsys: pytest.CaptureFixture[str]) -> None:
    other = TAKES / "held-out" / "bench-8102"
    takes = replayed(capsys, str(SET / "take-003.flac"), str(other / "takes.csv"), str(other))
    assert len(takes) == 13
    assert takes[1:7] == takes[7:]


def test_any_number_of_processes_says_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    alone = replayed(capsys, str(SET), "--jobs", "1")
    assert replayed(capsys, str(SET), "--jobs", "2") == alone


def test_bare_sound_files_take_speed_and_bench(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    sounds = here / "sounds"
    sounds.mkdir()
    shutil.copy(SET / "take-000.flac", sounds / "one.flac")
    (sounds / "two.wav").write_bytes(b"no sound at all")
    assert run(["replay", "sounds"]) == 2
    assert "--speed and --bench" in capsys.readouterr().err
    one, two = replayed(capsys, "sounds", "--speed", "1.906", "--bench", str(SET / "bench.toml"))
    assert one["verdict"] == "skip"
    assert (two["verdict"], two["reason"]) == ("void", "unreadable")


def test_text_ends_with_the_tally(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["replay", str(SET), "--jobs", "1"]) == 0
    spoken = capsys.readouterr()
    assert len(spoken.out.splitlines()) == 6
    assert "6 takes: " in spoken.err
    assert "as labelled" in spoken.err


def past_run(folder: Path, *, verdicts: tuple[Verdict, ...]) -> Path:
    """A run whose trials sound as the takes of a set do, with the verdicts they got then."""
    bench = SET / "bench.toml"  # the bench on which these takes were made
    text = bench.read_text()
    (folder / "audio").mkdir(parents=True)
    ledger = Ledger.create(
        folder, bench_text=text, bench_digest=load_bench(bench).digest(), simulated=True
    )
    ledger.begin_session()
    for number, verdict in enumerate(verdicts, 1):
        audio = f"audio/trial-{number:04d}.flac"
        shutil.copy(SET / "take-000.flac", folder / audio)
        order = TrialOrder(
            temperature_c=205.0, current_a=0.57, speed_mm_s=1.906, length_mm=11.0, number=number
        )
        ledger.add_trial(
            TrialRecord(
                order=order, verdict=verdict, reason=Reason.CLICK_TRAIN, p_skip=0.9, audio=audio,
                motion_s=(0.7789, 6.5509), expected_s=5.9, started="2026-03-01T22:00:00.000Z",
            ),
            search=None,
        )  # fmt: skip
    ledger.close()
    return folder


def test_a_void_says_in_words_what_is_amiss(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["replay", str(TAKES / "held-out" / "bench-8102")]) == 0
    muted = capsys.readouterr().out.splitlines()[0]
    assert "void" in muted
    assert "silent: the microphone delivers silence  [labelled void]" in muted


def test_a_past_run_is_judged_again_beside_its_own_verdicts(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    past_run(here / "run", verdicts=(Verdict.SKIP, Verdict.CLEAN))
    takes = replayed(capsys, "run")
    assert [take["was"] for take in takes] == ["skip", "clean"]
    assert [take["file"] for take in takes] == ["audio/trial-0001.flac", "audio/trial-0002.flac"]
    assert takes[0]["verdict"] == takes[1]["verdict"] == "skip"
    assert run(["replay", "run"]) == 0
    spoken = capsys.readouterr()
    assert "1 of 2 as the run judged them" in spoken.err
    assert spoken.out.count("[was clean]") == 1


def test_a_run_whose_sound_is_gone_is_void_and_not_an_error(
    here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = past_run(here / "run", verdicts=(Verdict.SKIP,))
    (folder / "audio" / "trial-0001.flac").unlink()
    [take] = replayed(capsys, "run")
    assert (take["verdict"], take["reason"], take["was"]) == ("void", "unreadable", "skip")


@pytest.mark.parametrize(
    ("row", "parts"),
    [
        ("a.wav,fast,0.5,1,2,clean,,", ("speed_mm_s", "fast")),
        ("a.wav,-2,0.5,1,2,clean,,", ("speed_mm_s", "-2")),
        ("a.wav,2,0.5,1,inf,clean,,", ("end_s", "inf")),
        ("a.wav,2,0.5,3,2,clean,,", ("end_s", "start_s")),
        ("a.wav,2,0.5,1,2,fine,,", ("label", "fine", "clean, skip, slip, void")),
        ("a.wav,2,0.5,1,2,skip,soon,", ("first_skip_s", "soon")),
        (",2,0.5,1,2,skip,,", ("file",)),
        ("a.wav,2", ("start_s",)),
    ],
)
def test_a_wrong_row_is_named_in_one_line(
    row: str, parts: tuple[str, ...], here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = here / "set"
    folder.mkdir()
    shutil.copy(HARBOUR, folder / "bench.toml")
    head = "file,speed_mm_s,current_a,start_s,end_s,label,first_skip_s,note\n"
    (folder / "takes.csv").write_text(head + "ok.wav,2,0.5,1,2,clean,,\n" + row + "\n")
    assert run(["replay", "set"]) == 2
    spoken = capsys.readouterr()
    assert spoken.out == ""
    [line] = spoken.err.strip().splitlines()
    for part in (str(Path("set") / "takes.csv"), "row 3", *parts):
        assert part in line


@pytest.mark.parametrize("damage", ["cut", "header", "empty", "missing", "text"])
def test_unreadable_sound_is_void_and_the_others_are_judged(
    damage: str, here: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(SET, here / "set")
    broken = here / "set" / "take-002.flac"
    sound = broken.read_bytes()
    if damage == "cut":
        broken.write_bytes(sound[: len(sound) // 3])
    elif damage == "header":
        broken.write_bytes(sound[:30])
    elif damage == "empty":
        soundfile.write(broken, [], 48000)
    elif damage == "missing":
        broken.unlink()
    else:
        broken.write_text("this is a letter")
    takes = replayed(capsys, "set", "--jobs", "1")
    assert takes[2]["verdict"] == "void"
    assert takes[2]["reason"] == "unreadable"
    assert takes[0]["verdict"] == "skip"


def test_it_streams(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    """No block is longer than the few seconds that are read at a time."""
    longest = 0.0
    whole = FileSource.__iter__

    def watched(self: FileSource):
        nonlocal longest
        for block in whole(self):
            longest = max(longest, len(block.samples) / self.sample_rate_hz)
            yield block

    monkeypatch.setattr(FileSource, "__iter__", watched)
    replayed(capsys, str(SET), "--jobs", "1")
    assert 0.0 < longest <= 4.0


def on_a_terminal(*words: str) -> tuple[str, str]:
    """Standard output, a pipe, and standard error, a terminal, of a command."""
    master, slave = os.openpty()
    try:
        with subprocess.Popen(
            [sys.executable, "-m", "rig", *words],
            stdout=subprocess.PIPE,
            stderr=slave,
            env={**os.environ, "TERM": "xterm", "COLUMNS": "80"},
        ) as process:
            os.close(slave)
            assert process.stdout is not None
            spoken = b""
            with contextlib.suppress(OSError):  # a terminal whose other side has gone
                while part := os.read(master, 4096):
                    spoken += part
            out = process.stdout.read().decode()
        assert process.returncode == 0
    finally:
        os.close(master)
    return out, spoken.decode()


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="no pseudo-terminals on this system")
def test_a_bar_on_a_terminal_only(capsys: pytest.CaptureFixture[str]) -> None:
    out, err = on_a_terminal("replay", str(SET), "--jobs", "1")
    assert len(out.splitlines()) == 6
    assert "listening" in err
    assert "100%" in err
    out, err = on_a_terminal("replay", str(SET), "--jobs", "1", "--json")
    assert len(json.loads(out)["takes"]) == 6
    assert err == ""
    assert run(["replay", str(SET), "--jobs", "1"]) == 0
    assert "listening" not in capsys.readouterr().err
