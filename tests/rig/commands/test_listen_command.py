"""``stallcurve listen``: blesses a bench, refuses one, and leaves every bench cold."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest
from virtual_benches import TAKES, firmware_state, write_bench

from detectors.evidence import Reason, Verdict
from detectors.listen import read_baseline
from rig import lesson
from rig.cli import run
from rig.commands import listen
from rig.simulation import forget_worlds
from rig.simulation.scenarios_house import SCENARIOS
from rig.trial import run_trial


@pytest.fixture(autouse=True)
def fresh_worlds(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.chdir(tmp_path)
    forget_worlds()
    yield
    forget_worlds()


def spoil(monkeypatch: pytest.MonkeyPatch, **changes: float) -> None:
    """Let the harbour sound otherwise."""
    harbour = SCENARIOS["harbour"]
    sound = replace(harbour.sound, **changes)
    monkeypatch.setitem(SCENARIOS, "harbour", replace(harbour, sound=sound))


def test_a_good_bench_is_learnt_and_the_file_is_taken_by_the_others(
    capsys: pytest.CaptureFixture[str],
) -> None:
    bench = write_bench(Path("bench.toml"))
    before = firmware_state(bench)
    assert run(["listen", "bench.toml"]) == 0
    spoken = capsys.readouterr()
    assert "separation" in spoken.out
    assert "Skips are told well here" in spoken.out
    assert 'detector = "bench-detector.toml"' in spoken.out
    assert "simulated" in spoken.err
    assert before[0] == 0.0
    assert firmware_state(bench) == before
    assert read_baseline("bench-detector.toml")["separation_db"] > 3.0

    take = str(TAKES / "held-out" / "bench-8101" / "take-000.flac")
    assert run(["replay", take, "--detector", "bench-detector.toml"]) == 0
    named = bench.read_text().replace(
        'device = "sim"', 'device = "sim"\ndetector = "bench-detector.toml"', 1
    )
    bench.write_text(named)
    assert run(["check", "bench.toml"]) == 0


def test_a_detector_beside_the_bench_is_found_from_anywhere(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = write_bench(Path("bench.toml"))
    bench.write_text(
        bench.read_text().replace('device = "sim"', 'device = "sim"\ndetector = "mine.toml"', 1)
    )
    assert run(["check", "bench.toml"]) == 2
    assert "mine.toml: cannot be read" in capsys.readouterr().err
    Path("mine.toml").write_text("format = 3\n[detector]\n")
    (tmp_path / "elsewhere").mkdir()
    monkeypatch.chdir(tmp_path / "elsewhere")
    assert run(["check", "../bench.toml"]) == 0


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"gain_db": -250.0, "noise_db": -300.0}, "delivers silence"),
        ({"fan_db": -20.0, "fan_colour_hz": 6000.0}, "slow the fan"),
        ({"gain_db": 40.0}, "overdriven: lower the gain"),
    ],
)
def test_a_bench_on_which_nothing_can_be_told_is_refused(
    changes: dict[str, float],
    says: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    spoil(monkeypatch, **changes)
    bench = write_bench(Path("bench.toml"))
    before = firmware_state(bench)
    assert run(["listen", "bench.toml", "--json"]) == 4
    spoken = capsys.readouterr()
    document = json.loads(spoken.out)
    assert document["blessed"] is False
    assert document["detector"] is None
    assert any(says in sentence for sentence in document["advice"])
    assert "skips cannot be told on this bench" in spoken.err
    assert sorted(Path().iterdir()) == [bench]
    assert firmware_state(bench) == before


def test_where_the_plan_starts_too_slowly_a_faster_speed_is_found(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    speeds: list[float] = []

    def deaf_when_slow(station, order, **options):
        """A real move, but none slower than 2 mm/s is heard."""
        speeds.append(order.speed_mm_s)
        record = run_trial(station, order, **options)
        if order.speed_mm_s >= 2.0:
            return record
        return replace(record, verdict=Verdict.VOID, reason=Reason.MOTOR_NOT_HEARD)

    monkeypatch.setattr(lesson, "run_trial", deaf_when_slow)
    write_bench(Path("bench.toml"))
    assert run(["listen", "bench.toml", "--json"]) == 4
    assert speeds == [1.0, 1.0, 1.5, 1.5, 1.0, 1.0, 2.4]  # each void move twice
    [advice] = json.loads(capsys.readouterr().out)["advice"]
    assert advice.startswith("At 2.4 mm/s the motor is heard: set plan.start_speed_mm_s")


def test_the_bench_of_another_extruder_is_refused_cold(
    capsys: pytest.CaptureFixture[str],
) -> None:
    bench = write_bench(Path("bench.toml"), scenario="bench-23")
    assert run(["listen", "bench.toml"]) == 4
    spoken = capsys.readouterr()
    assert "steps/mm in the firmware" in spoken.err
    assert "heating" not in spoken.out
    assert firmware_state(bench)[0] == 0.0


@pytest.mark.parametrize("stop", [KeyboardInterrupt(), RuntimeError("a fault of our own")])
@pytest.mark.parametrize("at", ["heating", "known good", "provoking"])
def test_whatever_ends_it_the_bench_is_made_safe(
    at: str,
    stop: BaseException,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def say(text: str = "") -> None:
        if at in text:
            raise stop

    monkeypatch.setattr(listen, "say", say)
    bench = write_bench(Path("bench.toml"))
    before = firmware_state(bench)
    if isinstance(stop, KeyboardInterrupt):
        assert run(["listen", "bench.toml"]) == 3
        assert "nothing was learnt" in capsys.readouterr().err
    else:
        with pytest.raises(RuntimeError, match="a fault of our own"):
            run(["listen", "bench.toml"])
    assert firmware_state(bench) == before
    assert sorted(Path().iterdir()) == [bench]


def test_a_board_that_restarts_ends_it_cold(capsys: pytest.CaptureFixture[str]) -> None:
    bench = write_bench(Path("bench.toml"), options="&warm=205&fault=reset@G1:40")
    assert run(["listen", "bench.toml"]) == 3
    assert "restart" in capsys.readouterr().err
    assert firmware_state(bench)[0] == 0.0


@pytest.mark.parametrize(
    ("lines", "code", "says"),
    [
        ({"max_filament_m": "0.3"}, 2, "limits.max_filament_m"),
        ({"device": '"none"'}, 4, "nothing to learn"),
    ],
)
def test_what_cannot_be_learnt_is_said_before_anything_is_touched(
    lines: dict[str, str], code: int, says: str, capsys: pytest.CaptureFixture[str]
) -> None:
    bench = write_bench(Path("bench.toml"), **lines)
    if "device" in lines:
        bench.write_text(
            bench.read_text().replace(
                "[limits]",
                '[encoder]\nport = "sim://harbour/encoder?seed=1"\ncounts_per_mm = 80.0\n[limits]',
            )
        )
    assert run(["listen", "bench.toml"]) == code
    spoken = capsys.readouterr()
    assert says in spoken.err
    assert len(spoken.err.strip().splitlines()) == 1
    assert spoken.out == ""


def test_a_detector_file_is_not_overwritten(capsys: pytest.CaptureFixture[str]) -> None:
    write_bench(Path("bench.toml"))
    Path("bench-detector.toml").write_text("mine")
    assert run(["listen", "bench.toml"]) == 2
    assert "--force" in capsys.readouterr().err
    assert run(["listen", "bench.toml", "--out", "no/folder/d.toml"]) == 2
    assert "no/folder" in capsys.readouterr().err
    assert Path("bench-detector.toml").read_text() == "mine"
