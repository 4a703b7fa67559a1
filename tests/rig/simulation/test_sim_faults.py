"""Every fault that can be injected: its bytes, and that the world is then as it says."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import serial

from rig.simulation import forget_worlds
from rig.simulation.faults import FAULTS, parse_faults
from rig.simulation.lines_in import checksum
from rig.simulation.registry import parse_url, world_for

URL = "sim://harbour?seed=9&warm=220"


@pytest.fixture(autouse=True)
def _new_worlds() -> Iterator[None]:
    forget_worlds()
    if "rig.simulation.handlers" not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append("rig.simulation.handlers")
    yield
    forget_worlds()


class Bench:
    def __init__(self, fault: str, *, at: int = 3) -> None:
        self.port = serial.serial_for_url(URL, baudrate=115200, timeout=1.5)
        self.world = world_for(parse_url(URL))
        self.take(1.5)
        self.world.heater.target_c = 220.0
        self.say("N0 M110 N0*125")
        self.number = 0
        self.say(self.line("M83"))
        self.world.inject(fault, at_command=1)
        self.at = at

    def line(self, text: str) -> str:
        self.number += 1
        body = f"N{self.number} {text}"
        return f"{body}*{checksum(body)}"

    def take(self, quiet_s: float = 0.5, most_s: float = 900.0) -> str:
        self.port.timeout = quiet_s
        out = b""
        end = self.world.now_s + most_s  # a board that waits aloud is never quiet
        while self.world.now_s < end and (data := self.port.read(1)):
            out += data + self.port.read(self.port.in_waiting)
        return out.decode("latin-1")

    def say(self, line: str, quiet_s: float = 0.3) -> str:
        self.port.write(line.encode() + b"\n")
        return self.take(quiet_s)

    def next(self, text: str, quiet_s: float = 0.3) -> str:
        return self.say(self.line(text), quiet_s)


BYTES = {
    "resend-without-ok": ("M105", "Error:checksum mismatch, Last Line: 1\nResend: 2\n"),
    "resend-triple": ("M105", "Error:checksum mismatch, Last Line: 1\nResend: 2\nok\n" * 3),
    "surplus-ok": ("M83", "ok\nok\n"),
    "lost-ok": ("M83", ""),
    "split-ok": ("M83", "ok\n"),
    "flipped-bit": ("M105", "Error:checksum misoatch, Last Line: 1\nResend: 2\nok\n"),
    "impossible-resend": ("M105", "Error:checksum mismatch, Last Line: 1\nResend: 1\nok\n"),
    "glued-nul": ("M105", "okT:210.0 /210.0 T\x00:209\n"),
    "cold-refusal": ("G1 E1 F60", "echo: cold extrusion prevented\nok\n"),
    "garbled-refusal": ("G1 E1 F60", "echo: col cold extru cold extrusion preventednted\nok\n"),
    "too-long-refusal": ("G1 E1 F60", "echo: too long extrusion prevented\nok\n"),
    "template-refusal": (
        "G1 E1 F60",
        "// Extrude below minimum temp\n!! Extrude below minimum temp\nok\n",
    ),
    "template-shutdown": (
        "M105",
        "// Printer is shutdown\n!! Printer is shutdown: Timer too close\nok\n",
    ),
    "heater-kill": (
        "M105",
        "Error:Heating failed, system stopped! Heater_ID: E0\n"
        "Error:Printer halted. kill() called!\n",
    ),
    "silent-halt": ("M105", ""),
    "counter-wrap": ("M906", "E driver current: 63286\nok\n"),
    "reset": ("M105", "start\necho: External Reset\n"),
    "silent-reset": ("M105", ""),
    "early-ok": ("M400", "ok\n"),
}


@pytest.mark.parametrize("fault", sorted(BYTES))
def test_bytes(fault: str) -> None:
    command, expected = BYTES[fault]
    assert Bench(fault).next(command) == expected


def test_the_other_faults_speak_too() -> None:
    assert "@:6N2ok N2 P0 B3" in Bench("swallowed-ok").next("M83")
    forget_worlds()
    assert ": Extruder switched off. MAXTEMP triggered !" in (b := Bench("old-stop")).next("M105")
    assert "M999" in b.next("M104 S200")
    forget_worlds()
    bench = Bench("step-down")
    text = bench.next("M105")
    assert "E0 driver overtemperature warning! (600mA)\nE0 current decreased to 550\n" in text
    assert "E driver current: 550" in bench.next("M906")
    forget_worlds()
    assert Bench("busy-long").next("M83", 3.0).count("busy") in (299, 300)


def test_lost_ok_then_waits_and_takes_the_line_only_once() -> None:
    bench = Bench("lost-ok")
    line = bench.line("G1 E1 F60")
    bench.port.write(line.encode() + b"\n")
    assert bench.take(1.5, most_s=3.5).startswith("wait\nwait\n")
    assert "Resend: 3" in bench.say(line)


def test_silent_reset_shows_in_the_next_number() -> None:
    bench = Bench("silent-reset")
    bench.next("M105")
    assert "Last Line: 0\nResend: 1\n" in bench.next("M105")
    assert bench.world.heater.target_c == 0.0


def test_clamp_takes_forty_per_cent_longer() -> None:
    bench = Bench("clamp")
    bench.next("G1 E4 F120", 0.02)
    start = bench.world.now_s
    while not bench.world.planner.idle:
        bench.world.clock.sleep(0.01)
    assert bench.world.now_s - start == pytest.approx(2.9, abs=0.15)


def test_cable_cut_breaks_in_mid_line_and_leaves_the_heater_on() -> None:
    bench = Bench("cable-cut")
    bench.port.write(bench.line("M105").encode() + b"\n")
    bench.port.timeout = 1.0
    assert bench.port.read(7) == b"ok T:21"
    with pytest.raises(serial.SerialException, match="returned no data"):
        bench.port.read(1)
    with pytest.raises(serial.SerialException):
        bench.port.write(b"M105\n")
    with pytest.raises(serial.SerialException, match="no such device"):
        serial.serial_for_url(URL)
    assert bench.world.heater.target_c == 220.0


def test_connect_garbage_and_timed_faults_come_by_url() -> None:
    port = serial.serial_for_url("sim://harbour?fault=connect-garbage,reset@20s", timeout=2.0)
    assert port.read(12).startswith(b"\xfe\x80\x00\xf8start\n")
    port.reset_input_buffer()
    world = world_for(parse_url("sim://harbour"))
    world.clock.sleep(25.0)
    assert b"External Reset" in port.read(port.in_waiting)


def test_the_list_is_complete_and_strict() -> None:
    assert len(FAULTS) == 26  # 25 of the list; number 24 is two
    spoken = {"swallowed-ok", "old-stop", "step-down", "busy-long", "clamp", "cable-cut"}
    assert set(BYTES) | spoken | {"connect-garbage"} == set(FAULTS)
    with pytest.raises(ValueError, match="no fault 'fire'"):
        parse_faults("fire@3")
    assert [f.word for f in parse_faults("reset@G1:5, lost-ok@17")] == ["G1", None]
