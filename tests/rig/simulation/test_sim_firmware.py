"""The firmware on the wire, line by line, in the lock-step world."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import serial

from rig.simulation import forget_worlds
from rig.simulation.lines_in import checksum
from rig.simulation.registry import parse_url, world_for
from rig.simulation.world import World


@pytest.fixture(autouse=True)
def _new_worlds() -> Iterator[None]:
    forget_worlds()
    if "rig.simulation.handlers" not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append("rig.simulation.handlers")
    yield
    forget_worlds()


class Host:
    """The other end of the cable."""

    def __init__(self, url: str = "sim://harbour?seed=3&warm=220") -> None:
        self.port = serial.serial_for_url(url, baudrate=115200, timeout=0.5)
        self.world: World = world_for(parse_url(url))
        if "warm" in url:
            self.world.heater.target_c = 220.0

    def read(self, quiet_s: float = 0.3, most_s: float = 60.0) -> str:
        """Everything until it is quiet."""
        self.port.timeout = quiet_s
        out = b""
        end = self.world.now_s + most_s  # a board that waits aloud is never quiet
        while self.world.now_s < end and (data := self.port.read(1)):
            out += data + self.port.read(self.port.in_waiting)
        return out.decode("latin-1")

    def ask(self, line: str, quiet_s: float = 0.3) -> str:
        """One line and everything that comes after it."""
        self.port.write(line.encode("latin-1") + b"\n")
        return self.read(quiet_s)


def numbered(number: int, text: str) -> str:
    body = f"N{number} {text}"
    return f"{body}*{checksum(body)}"


def booted(url: str = "sim://harbour?seed=3&warm=220") -> Host:
    host = Host(url)
    host.read(1.5, most_s=4.0)
    host.world.heater.target_c = 220.0 if "warm" in url else 0.0
    return host


def test_checksum_of_the_documented_example() -> None:
    # N7 M83: 4E^37^20^4D^38^33 = 1F
    assert checksum("N7 M83") == 31


def test_opening_restarts_the_board_and_a_line_before_the_banner_is_lost() -> None:
    host = Host()
    host.port.write(b"M115\n")
    text = host.read(2.0)
    assert text.startswith("start\n")
    assert "FIRMWARE_NAME" not in text
    assert 1.0 < host.world.now_s < 4.0


def test_native_usb_does_not_restart() -> None:
    host = Host("sim://harbour?dtr=0")
    assert host.read(2.0) == ""
    assert "ok" in host.ask("M105")


def test_numbers_and_checksums() -> None:
    host = booted()
    assert host.ask("N0 M110 N0*125") == "ok\n"
    assert host.ask(numbered(1, "M83")) == "ok\n"
    assert host.ask("N2 M105*1") == ("Error:checksum mismatch, Last Line: 1\nResend: 2\nok\n")
    assert host.ask(numbered(5, "M105")) == (
        "Error:Line Number is not Last Line Number+1, Last Line: 1\nResend: 2\nok\n"
    )
    assert host.ask("N2 M105") == (
        "Error:No Checksum with line number, Last Line: 1\nResend: 2\nok\n"
    )
    assert host.ask("M105*1") == (
        "Error:No Line Number with checksum, Last Line: 1\nResend: 2\nok\n"
    )
    assert host.ask(numbered(2, "M105")).startswith("ok T:2")


def test_each_line_in_flight_behind_a_bad_one_draws_the_same_complaint() -> None:
    host = booted()
    host.ask("N0 M110 N0*125")
    bad = "N1 M105*9\n" + numbered(2, "M105") + "\n" + numbered(3, "M105")
    assert host.ask(bad).count("Resend: 1\n") == 3


def test_a2_answers_early_with_numbers_and_waits() -> None:
    host = booted("sim://harbour?family=a2&warm=220")
    host.ask("N0 M110 N0*125", 0.2)
    assert host.ask(numbered(1, "M83"), 0.2) == "ok 1\n"
    assert host.ask(numbered(1, "M83"), 0.2) == "ok duplicate line:1\n"
    assert host.read(2.5, most_s=4.0).count("wait\n") >= 3


def test_ok_of_a_move_means_accepted_and_m400_means_done() -> None:
    host = booted()
    host.ask("M83")
    before = host.world.now_s
    assert host.ask("G1 E3 F120", 0.05) == "ok\n"
    assert host.world.now_s - before < 0.2
    assert host.ask("M400", 3.0).endswith("ok\n")
    assert host.world.planner.idle
    assert host.world.truth.extruded_mm() == pytest.approx(3.0, abs=0.1)


def test_seventeenth_move_waits_for_room() -> None:
    host = booted()
    host.ask("M83")
    oks = "".join(host.ask("G1 E1 F60", 0.02) for _ in range(18))
    assert 15 <= oks.count("ok\n") <= 17
    assert host.read(3.0).count("ok\n") >= 1


def test_busy_lines_while_a_barrier_waits() -> None:
    host = booted()
    host.ask("M83")
    host.ask("G1 E6 F60", 0.1)
    assert host.ask("M400", 5.0).count("echo:busy: processing\n") in (2, 3)


def test_cold_and_too_long_are_refused_but_ok() -> None:
    host = booted("sim://harbour?seed=3")
    assert host.ask("G1 E1 F60") == "echo: cold extrusion prevented\nok\n"
    host = booted("sim://harbour?seed=4&warm=220")
    host.ask("M83")
    assert host.ask("G1 E200 F600") == "echo: too long extrusion prevented\nok\n"
    assert host.world.planner.idle
    assert "E:200.00" in host.ask("M114")  # the report proves no motion


def test_feed_limit_clamps_without_a_word() -> None:
    host = booted()
    host.ask("M83")
    host.ask("M203 E2")
    host.ask("G1 E4 F600", 0.05)
    start = host.world.now_s
    host.ask("M400", 3.0)
    assert host.world.planner.track.rest_mm or host.world.planner.idle
    assert host.world.now_s - start > 1.8


def test_multipliers_and_volumetric_mode_change_the_length_and_not_the_time() -> None:
    lengths, times = [], []
    for change in ("M221 S100", "M221 S50", "M200 D1.75"):
        forget_worlds()
        host = booted()
        host.ask("M83")
        host.ask(change)
        host.ask("G1 E4 F120", 0.02)
        start = host.world.now_s
        while not host.world.planner.idle:
            host.world.clock.sleep(0.01)
        times.append(host.world.now_s - start)
        lengths.append(host.world.truth.extruded_mm())
    assert times == pytest.approx([times[0]] * 3, rel=0.05)
    assert lengths == pytest.approx([4.0, 2.0, 4.0 / 2.4053], abs=0.12)


def test_settings_are_told_and_set_back_by_a_restart() -> None:
    host = booted()
    host.ask("M906 T0 E550")
    host.ask("M900 K0.05")
    text = host.ask("M503")
    assert "M906 T0 E550" in text
    assert "M203 X300.00 Y300.00 Z10.00 E45.00" in text
    assert "E driver current: 550\n" in host.ask("M906")
    host.ask("M906 X400")
    assert "E driver current: 550\n" in host.ask("M906")
    again = Host()
    again.read(2.0)
    assert "E driver current: 600\n" in again.ask("M906")


def test_quick_stop_and_emergency_act_on_reception() -> None:
    host = booted()
    host.ask("M83")
    host.ask("G1 E30 F300", 0.5)
    host.ask("M410", 0.1)
    assert host.world.planner.idle
    held = host.world.truth.extruded_mm()
    host.world.clock.sleep(2.0)
    assert host.world.truth.extruded_mm() == pytest.approx(held, abs=0.2)
    assert "kill() called" in host.ask("M112")
    assert host.world.heater.target_c == 0.0
    assert host.ask("M105") == ""


def test_waiting_for_heat_reports_and_can_be_broken_off() -> None:
    host = booted("sim://harbour?seed=5")
    host.port.write(b"M109 S210\n")
    host.world.clock.sleep(20.0)
    text = host.port.read(host.port.in_waiting).decode()
    assert text.count("W:?") >= 15
    assert "ok" in host.ask("M108", 1.5)


def test_heater_settles_at_its_target() -> None:
    host = booted("sim://harbour?seed=5")
    host.ask("M104 S210")
    host.world.clock.sleep(240.0)
    readings = []
    for _ in range(30):
        host.world.clock.sleep(1.0)
        readings.append(host.world.heater.reading_c)
    assert max(readings) < 211.5
    assert min(readings) > 208.5


def test_temperature_reports_by_themselves() -> None:
    host = booted()
    host.ask("M155 S1")
    host.world.clock.sleep(5.0)
    text = host.port.read(host.port.in_waiting).decode()
    assert 4 <= text.count(" T:") <= 6


def test_idle_motors_go_off_and_the_dead_man_kills() -> None:
    host = booted()
    host.ask("M83")
    host.ask("G1 E1 F120", 2.0)
    assert host.world.firmware.registers.motors_on
    host.world.clock.sleep(125.0)
    assert not host.world.firmware.registers.motors_on
    host.ask("M85 S30")
    host.world.clock.sleep(35.0)
    assert host.world.firmware.halted
    assert host.world.heater.target_c == 0.0


def test_the_template_dialect_has_names_and_an_ok_that_promises_nothing() -> None:
    host = booted("sim://harbour?family=b&seed=3")
    assert "Run Current: 0.500A" in host.ask("SET_RUN_CURRENT MOTOR=extruder AMPERES=0.5")
    assert host.ask("G1 E1 F60") == (
        "// Extrude below minimum temp\n!! Extrude below minimum temp\nok\n"
    )
    assert host.ask("N5 M105*1").startswith("ok T:") or "ok" in host.ask("M105")


def test_unknown_commands_are_named() -> None:
    host = booted()
    assert host.ask("M9876 X1") == 'echo:Unknown command: "M9876 X1"\nok\n'


def test_bad_urls_are_refused_in_words() -> None:
    for url in ("sim://nowhere", "sim://harbour?famly=a1", "sim://harbour?fault=x@y"):
        with pytest.raises(serial.SerialException, match=r"sim://|fault"):
            serial.serial_for_url(url)
