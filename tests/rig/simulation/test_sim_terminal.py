"""The world on a pseudo-terminal, for a second or two of real time."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial

from rig.bench import load_bench
from rig.errors import UsageError
from rig.simulation import forget_worlds
from rig.simulation.terminal import serve

BENCHES = Path(__file__).parents[3] / "docs" / "benches"


@pytest.fixture(autouse=True)
def _new_worlds() -> Iterator[None]:
    forget_worlds()
    yield
    forget_worlds()


def test_a_program_finds_printer_and_encoder_and_hears_raw_sound(tmp_path: Path) -> None:
    bench = load_bench(BENCHES / "orchard.toml")
    stop, ready = threading.Event(), threading.Event()
    said: list[str] = []
    faults: list[BaseException] = []

    def tell(line: str) -> None:
        said.append(line)
        if len(said) == 2:
            ready.set()

    def run() -> None:
        try:
            serve(
                bench, link_path=tmp_path / "printer", encoder_link_path=tmp_path / "counter",
                stop=stop, raw_path=tmp_path / "sound.s16", tell=tell, sample_rate_hz=16000,
            )  # fmt: skip
        except BaseException as error:
            faults.append(error)
            ready.set()

    thread = threading.Thread(target=run)
    thread.start()
    try:
        assert ready.wait(60.0)
        assert not faults
        with serial.Serial(str(tmp_path / "printer"), 115200, timeout=5.0) as port:
            assert port.read_until(b"start\n").endswith(b"start\n")
            port.reset_input_buffer()
            port.write(b"N0 M110 N0*125\n")
            assert port.read_until(b"ok\n").endswith(b"ok\n")
            port.write(b"M105\n")
            assert b"T:22" in port.read_until(b"B@:0\n")
        with serial.Serial(str(tmp_path / "counter"), 115200, timeout=5.0) as counter:
            counter.read_until(b"\n")
            assert counter.read_until(b"\n").startswith(b"C 4")
    finally:
        stop.set()
        thread.join(20.0)
    assert not thread.is_alive()
    assert not faults
    assert said[0] == f"printer: {tmp_path / 'printer'}"
    assert not (tmp_path / "printer").is_symlink()
    assert (tmp_path / "sound.s16").stat().st_size > 16000


def test_a_real_port_and_a_taken_name_are_refused(tmp_path: Path) -> None:
    bench = load_bench(BENCHES / "harbour.toml")
    real = bench.model_copy(update={"link": bench.link.model_copy(update={"port": "/dev/ttyUSB0"})})
    with pytest.raises(UsageError, match="sim://"):
        serve(real, stop=threading.Event())
    taken = tmp_path / "file"
    taken.write_text("mine")
    with pytest.raises(UsageError, match="no link"):
        serve(bench, stop=threading.Event(), link_path=taken)
    assert taken.read_text() == "mine"
