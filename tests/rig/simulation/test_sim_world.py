"""The world as a whole: time, determinism, microphone, encoder, and the two example benches."""

from __future__ import annotations

import itertools
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
import serial

from detectors.sources import SoundSource
from rig.bench import load_bench
from rig.simulation import forget_worlds, prepare_world
from rig.simulation.world import World

BENCHES = Path(__file__).parents[3] / "docs" / "benches"


@pytest.fixture(autouse=True)
def _new_worlds() -> Iterator[None]:
    forget_worlds()
    if "rig.simulation.handlers" not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append("rig.simulation.handlers")
    yield
    forget_worlds()


def hot(name: str = "harbour") -> tuple[World, serial.SerialBase]:
    """A warm world with its port open and the extruder relative."""
    bench = load_bench(BENCHES / f"{name}.toml")
    world = prepare_world(bench)
    port = serial.serial_for_url(bench.link.port, baudrate=115200, timeout=1.0)
    world.clock.sleep(2.0)
    world.heater.start_at(220.0)
    world.heater.target_c = 220.0
    world.clock.sleep(60.0)
    port.write(b"M83\n")
    world.clock.sleep(0.1)
    port.reset_input_buffer()
    return world, port


def extrude(world: World, port: serial.SerialBase, *, speed: float, seconds: float) -> None:
    """Feed segments of a quarter of a second, one after the other's ok, to the end."""
    for _ in range(int(seconds * 4)):
        port.write(f"G1 E{speed / 4:.4f} F{speed * 60:.1f}\n".encode())
        assert port.read_until(b"\n") == b"ok\n"
        while world.planner.held > 5:
            world.clock.sleep(0.05)
    while not world.planner.idle:
        world.clock.sleep(0.05)


def listen(source: SoundSource) -> np.ndarray:
    """Everything that waits."""
    blocks = []
    while (block := source.read(0.0)) is not None:
        blocks.append(block.samples)
    return np.concatenate(blocks) if blocks else np.zeros(0, np.float32)


def test_same_seed_same_samples_and_another_seed_others() -> None:
    heard = []
    for seed in (1, 1, 2):
        forget_worlds()
        bench = load_bench(BENCHES / "harbour.toml")
        link = bench.link.model_copy(update={"port": f"sim://harbour?seed={seed}"})
        world = prepare_world(bench.model_copy(update={"link": link}))
        microphone = world.microphone(48000)
        microphone.start()
        world.clock.sleep(0.5)
        heard.append(listen(microphone))
    assert np.array_equal(heard[0], heard[1])
    assert not np.array_equal(heard[0], heard[2])


def test_microphone_keeps_the_contract_of_a_sound_source() -> None:
    world, port = hot()
    microphone = world.microphone(44100)
    assert isinstance(microphone, SoundSource)
    assert microphone.sample_rate_hz == 44100
    microphone.start()
    before = world.now_s
    block = microphone.read(1.0)
    assert block is not None
    assert world.now_s - before <= 0.05
    assert block.samples.dtype == np.float32
    # Blocks follow one another without gap or overlap, through rest and motion.
    end = block.start_s + block.samples.size / 44100
    port.write(b"G1 E2 F120\n")
    for _ in range(100):
        block = microphone.read(0.05)
        assert block is not None
        assert not block.lost
        assert block.start_s == pytest.approx(end, abs=2e-5)
        end = block.start_s + block.samples.size / 44100
        assert end <= world.now_s + 1e-3
    microphone.discard()
    assert microphone.read(0.0) is None
    fresh = microphone.read(0.1)
    assert fresh is not None
    assert fresh.start_s >= world.now_s - 0.1
    microphone.stop()
    microphone.stop()


def test_what_is_discarded_is_not_computed_but_moves_all_the_same() -> None:
    world, port = hot()
    microphone = world.microphone(48000)
    microphone.start()
    microphone.discard()
    extrude(world, port, speed=2.0, seconds=4.0)
    microphone.discard()
    assert world.truth.extruded_mm() == pytest.approx(8.0, abs=0.1)
    assert listen(microphone).size == 0


def test_the_motor_is_heard_and_rest_is_quieter() -> None:
    world, port = hot()
    microphone = world.microphone(48000)
    microphone.start()
    world.clock.sleep(1.0)
    rest = listen(microphone)
    extrude(world, port, speed=2.5, seconds=4.0)
    motion = listen(microphone)
    assert np.std(motion) > 3.0 * np.std(rest)
    assert np.std(rest) > 0.0


def test_truth_and_rotor_agree_through_firmware_and_planner() -> None:
    world, port = hot()
    threshold = world.truth.threshold_mm_s(0.495, 220.0)
    port.write(b"M906 T0 E500\n")
    assert port.read_until(b"\n") == b"ok\n"
    extrude(world, port, speed=0.95 * threshold, seconds=8.0)
    assert world.truth.skip_times_s() == []
    world.clock.sleep(5.0)
    start = world.now_s
    extrude(world, port, speed=1.08 * threshold, seconds=8.0)
    skips = world.truth.skip_times_s(start)
    assert skips
    assert start < skips[0] < world.now_s


def test_encoder_counts_what_really_moved() -> None:
    bench = load_bench(BENCHES / "orchard.toml")
    assert bench.encoder is not None
    world, port = hot("orchard")
    counter = serial.serial_for_url(bench.encoder.port, baudrate=115200, timeout=0.1)
    extrude(world, port, speed=3.0, seconds=3.0)
    lines = counter.read(counter.in_waiting).decode("ascii").splitlines()
    assert lines[0].startswith("# counter 1 ")
    readings = []
    for line in lines[1:]:
        mark, micros, count, check = line.split(" ")
        assert mark == "C"
        total = 0
        for byte in line[: line.rindex(" ")].encode("ascii"):
            total ^= byte
        assert int(check, 16) == total
        readings.append((int(micros), int(count)))
    gaps = {(b[0] - a[0]) % 2**32 for a, b in itertools.pairwise(readings)}
    assert gaps == {10000}
    fed = (readings[-1][1] - readings[0][1]) / bench.encoder.counts_per_mm
    assert fed == pytest.approx(9.0, abs=0.1)


def test_sleeping_through_a_night_is_cheap_and_exact() -> None:
    world, _ = hot()
    world.clock.sleep(8 * 3600.0)
    assert world.now_s == pytest.approx(8 * 3600.0 + 62.1, abs=0.01)
    assert world.heater.block_c == pytest.approx(220.0, abs=1.0)


def test_two_benches_differ_in_melt_limit_and_torque() -> None:
    harbour, orchard = (
        prepare_world(load_bench(BENCHES / f"{n}.toml")) for n in ("harbour", "orchard")
    )
    assert harbour.model.holding_torque_nm < orchard.model.holding_torque_nm
    flow = 14.0
    assert harbour.truth.force_n(flow, 220.0) > 2.0 * orchard.truth.force_n(flow, 220.0)


def test_the_package_loads_nothing_heavy() -> None:
    code = (
        "import sys, rig.simulation, rig.simulation.registry\n"
        "heavy = {'numba', 'scipy', 'sounddevice', 'soundfile', 'matplotlib'} & set(sys.modules)\n"
        "raise SystemExit(','.join(sorted(heavy)) or 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
