"""The virtual bench served by another process on a pseudo-terminal, in real time."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

BENCH = """
[motor]
rated_current_a = 1.2
holding_torque_nm = 0.20
resistance_ohm = 2.1
inductance_mh = 2.8
rotor_inertia_g_cm2 = 23.0
[driver]
[drive]
gear_ratio = 3.5
filament_per_turn_mm = 24.0
efficiency = 0.90
[filament]
name = "house PLA, green"
available_m = 80.0
[hot_end]
name = "long copper"
max_temperature_c = 280.0
nozzle_mm = 0.4
[link]
port = "{port}"
[microphone]
device = "{microphone}"
{encoder}
[limits]
max_current_a = 1.1
max_speed_mm_s = 30.0
max_hours = 1.0
max_filament_m = 5.0
pile_litre = 1.0
[plan]
temperatures_c = [{temperature_c}]
currents_a = [0.25]
start_speed_mm_s = 2.0
resolution = 0.4
steady_s = {steady_s}
"""
ENCODER = '[encoder]\nport = "{port}"\ncounts_per_mm = 80.0'
#: Started warm and kept so, because a real hot end would take its time.
TEMPERATURE_C = 215.0
#: The command as installed beside this interpreter.
STALLCURVE = Path(sys.executable).with_name("stallcurve")


def environment(extra: Mapping[str, str] | None = None) -> dict[str, str]:
    """Of a child process that finds the same packages as this one."""
    return {**os.environ, **(extra or {}), "PYTHONUNBUFFERED": "1"}


@dataclass(frozen=True)
class Served:
    """A virtual bench in another process.

    Attributes:
        port: Name of the printer's pseudo-terminal.
        counter: Name of the counter board's.
    """

    port: Path
    counter: Path


@contextmanager
def serve_bench(
    folder: Path,
    *,
    options: tuple[str, ...] = (),
    extra: Mapping[str, str] | None = None,
    temperature_c: float = TEMPERATURE_C,
) -> Iterator[Served]:
    """``stallcurve simulate`` until the block ends."""
    world = folder / "world.toml"
    world.write_text(
        BENCH.format(
            port=f"sim://orchard?seed=1&warm={temperature_c:g}",
            microphone="sim",
            encoder=ENCODER.format(port="sim://orchard/encoder?seed=1"),
            temperature_c=temperature_c,
            steady_s=3.0,
        )
    )
    port, counter = folder / "printer", folder / "counter"
    command = [str(STALLCURVE), "simulate", str(world), "--seconds", "280"]
    command += ["--link", str(port), "--encoder-link", str(counter), *options]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment(extra)
    )
    try:
        assert process.stdout is not None
        assert process.stderr is not None
        told = [process.stdout.readline() for _ in range(2)]
        if not told[1].startswith("encoder:"):
            process.kill()
            pytest.fail(f"the virtual bench was not served: {told} {process.stderr.read()}")
        yield Served(port, counter)
    finally:
        process.send_signal(signal.SIGINT)
        try:
            process.communicate(timeout=20)
        except subprocess.TimeoutExpired:
            process.kill()
            process.communicate()


def bench_file(
    folder: Path,
    served: Served,
    *,
    microphone: str = "none",
    counter: bool = True,
    steady_s: float = 2.5,
) -> Path:
    """The bench file with which `stallcurve run` drives the served bench."""
    path = folder / "bench.toml"
    path.write_text(
        BENCH.format(
            port=served.port,
            microphone=microphone,
            encoder=ENCODER.format(port=served.counter) if counter else "",
            temperature_c=TEMPERATURE_C,
            steady_s=steady_s,
        )
    )
    return path


def run_bench(
    bench: Path, out: Path, *, extra: Mapping[str, str] | None = None
) -> subprocess.CompletedProcess[str]:
    """``stallcurve run`` to its end."""
    return subprocess.run(
        [str(STALLCURVE), "run", str(bench), "--out", str(out), "--yes", "--plain"],
        capture_output=True,
        text=True,
        timeout=280,
        env=environment(extra),
    )


def true_threshold_mm_s(current_a: float) -> float:
    """The speed at which the served bench's motor really gives up."""
    from rig.bench import parse_bench
    from rig.simulation import forget_worlds, prepare_world

    text = BENCH.format(
        port="sim://orchard?seed=1",
        microphone="sim",
        encoder="",
        temperature_c=TEMPERATURE_C,
        steady_s=3.0,
    )
    world = prepare_world(parse_bench(text, name="bench.toml"))
    try:
        return float(world.truth.threshold_mm_s(current_a, TEMPERATURE_C))
    finally:
        forget_worlds()


def trials_of(out: Path) -> list[tuple[float, str, str]]:
    """Speed in mm/s, verdict and reason of each trial of a run folder, in order."""
    with sqlite3.connect(out / "ledger.sqlite") as ledger:
        rows = ledger.execute("SELECT speed_mm_s, verdict, reason FROM trial ORDER BY number")
        return [(float(a), str(b), str(c)) for a, b, c in rows]


def bracket_of(out: Path) -> tuple[float, float]:
    """Highest clean and lowest skipping speed of the one search of a run folder, in mm/s."""
    with sqlite3.connect(out / "ledger.sqlite") as ledger:
        ((clean, skip),) = ledger.execute("SELECT clean_mm_s, skip_mm_s FROM search").fetchall()
    return float(clean), float(skip)


def ask(port: Path, *commands: str) -> str:
    """What the firmware answers to bare commands, in one text; asked again while it boots."""
    import serial

    heard = b""
    with serial.Serial(str(port), 115200, timeout=0.5) as line:
        for command in commands:
            answer = b""
            for _ in range(20):
                line.write(command.encode() + b"\n")
                answer = line.read_until(b"ok")
                if answer.endswith(b"ok"):
                    break
            heard += answer + line.readline()
    return heard.decode("ascii", "replace")
