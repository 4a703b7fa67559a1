"""The verbs on one printer, over every family of firmware."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from fake_printer import FakeFirmware

from rig.errors import CommandRefusedError, ReplyTimeoutError, UnfitBenchError
from rig.link.conversation import Link
from rig.link.dialect import load_dialect
from rig.printer import Printer

TEMPLATE = """
base = "template"
[commands]
set_current = "MOTOR_CURRENT NAME=extruder AMPERES={current_a}"
get_current = "MOTOR_CURRENT NAME=extruder"
[replies]
current = ['run current: (?P<current_a>[0-9.]+)']
"""
FAMILIES = ["A1", "A2", "A3", "B"]


@pytest.fixture(params=FAMILIES)
def firmware(request: pytest.FixtureRequest) -> FakeFirmware:
    return FakeFirmware(request.param)


@pytest.fixture
def printer(firmware: FakeFirmware, tmp_path: Path) -> Printer:
    (tmp_path / "b.toml").write_text(TEMPLATE)
    dialect = load_dialect(tmp_path / "b.toml" if firmware.family == "B" else "numbered")
    link = Link(firmware.port, dialect, firmware.clock)
    return Printer(link, clock=firmware.clock, filament_diameter_mm=1.75)


def make_ready(printer: Printer, firmware: FakeFirmware) -> None:
    printer.connect()
    printer.prepare()
    printer.set_current(0.55)
    printer.set_target(210.0)
    firmware.temperature_c = 210.0


def test_connect_waits_for_the_banner(printer: Printer, firmware: FakeFirmware) -> None:
    """A banner 1.1 s after opening: nothing may be sent before it."""
    firmware.port.say(b"start\n", after_s=1.1)
    first: list[float] = []
    firmware.port.after_write = lambda _line: first.append(firmware.clock.now())
    identity = printer.connect()
    assert identity.booted
    assert first[0] >= 1000.0 + 1.1 + 1.0
    assert identity.text.startswith("FIRMWARE_NAME:house")


def test_connect_without_banner(printer: Printer, firmware: FakeFirmware) -> None:
    """Boards with native USB do not restart: no banner, and the old counter is at some number."""
    firmware.last = 4711
    assert not printer.connect().booted
    assert printer.temperature().actual_c == 25.0


def test_connect_while_reports_keep_coming(printer: Printer, firmware: FakeFirmware) -> None:
    """Old temperature reports every half second are no reason to wait for ever."""
    for k in range(40):
        firmware.port.say(firmware.report() + b"\n", after_s=0.5 * k)
    printer.connect()
    assert firmware.clock.now() - 1000.0 < 25.0


def test_wrong_rate_is_recognised(printer: Printer, firmware: FakeFirmware) -> None:
    firmware.port.answer = lambda _line: [b"\xfe\x80\xf8\x00\x9c\xe0"]
    with pytest.raises(ReplyTimeoutError, match=r"link\.baud = 115200 is probably wrong"):
        printer.connect()


def test_nobody_there(printer: Printer, firmware: FakeFirmware) -> None:
    firmware.halted = True
    with pytest.raises(
        ReplyTimeoutError, match=r"no firmware answers: check that the printer is on"
    ):
        printer.connect()


def test_settings_and_preparing(printer: Printer, firmware: FakeFirmware) -> None:
    printer.connect()
    found = printer.read_settings()
    assert found.run_current_a == 0.8
    if firmware.family != "B":
        assert found.steps_per_mm == 424.83
        assert found.max_feed_mm_s == 25.0
        assert found.flow_percent == 95.0
    printer.prepare()
    assert firmware.relative
    assert firmware.flow_percent == 100.0
    assert firmware.feed_percent == 100.0
    if firmware.family != "B":
        assert firmware.pressure == 0.0
        setting = [t for t in firmware.port.texts if t != "M83" and re.search(r"M\d+ .*[SKD]\d", t)]
        order = firmware.port.texts
        assert order.index("M83") > order.index(setting[-1]), "G90 and others may cancel it"


def test_a_multiplier_that_does_not_take(firmware: FakeFirmware, printer: Printer) -> None:
    if firmware.family == "B":
        pytest.skip("its multipliers cannot be read back")
    printer.connect()
    firmware.overrides = lambda text: [b"ok\n"] if text.startswith("M221 T0") else None
    with pytest.raises(UnfitBenchError, match="flow multiplier reads 95 after it was set to 100"):
        printer.prepare()


def test_current_is_read_back(printer: Printer, firmware: FakeFirmware) -> None:
    printer.connect()
    printer.set_current(0.55)
    assert firmware.current_ma == 550
    assert printer.read_current() == pytest.approx(0.55)
    assert printer.current_a == pytest.approx(0.55)
    with pytest.raises(ValueError, match="positive"):
        printer.set_current(0.0)
    with pytest.raises(ValueError, match="positive"):
        printer.set_current(float("nan"))


def test_a_current_set_on_another_axis(printer: Printer, firmware: FakeFirmware) -> None:
    printer.connect()
    firmware.overrides = lambda text: (
        [b"ok\n"] if text.startswith("M906 T0") or "AMPERES" in text else None
    )
    with pytest.raises(CommandRefusedError, match="another axis or another unit"):
        printer.set_current(0.4)


def test_a_current_rounded_to_the_drivers_step_is_taken(firmware: FakeFirmware) -> None:
    link = Link(firmware.port, load_dialect("numbered"), firmware.clock)
    printer = Printer(link, clock=firmware.clock, filament_diameter_mm=1.75)
    if firmware.family == "B":
        pytest.skip("the other dialect")
    printer.connect()
    firmware.overrides = lambda text: [b"E driver current: 489\nok\n"] if text == "M906" else None
    printer.set_current(0.5)
    assert printer.current_a == 0.489
    assert printer.verify() == ()


def test_a_move(printer: Printer, firmware: FakeFirmware) -> None:
    make_ready(printer, firmware)
    move = printer.start_move(length_mm=30.0, speed_mm_s=5.0)
    before = len(firmware.moves)
    assert move.started_s is None
    deepest_s = 0.0
    while not move.done:
        start_s = firmware.clock.now()
        move.poll(0.02)
        assert firmware.clock.now() - start_s < 0.025
        if move.sent_mm:
            deepest_s = max(deepest_s, firmware.motion_end_s - firmware.clock.now())
    result = move.result()
    assert result.anomalies == ()
    assert result.measured_s == pytest.approx(result.expected_s, abs=0.02)
    assert result.commanded_mm == pytest.approx(30.0, abs=0.003)
    assert sum(length for _, length, _ in firmware.moves[before:]) == pytest.approx(
        result.commanded_mm, abs=1e-6
    )
    assert move.started_s == pytest.approx(firmware.moves[before][0], abs=0.03)
    assert move.ended_s == pytest.approx(firmware.motion_end_s, abs=0.03)
    assert firmware.starved == 0
    assert 0.8 < deepest_s < 1.15, "a second of motion is queued, and not much more"
    assert printer.last_temperature is not None
    assert printer.last_temperature.time_s > move.started_s + 4.0, "asked on the way"


def test_breaking_off_ends_within_a_second(printer: Printer, firmware: FakeFirmware) -> None:
    make_ready(printer, firmware)
    move = printer.start_move(length_mm=60.0, speed_mm_s=10.0)
    for _ in range(100):
        move.poll(0.02)
    at_s = firmware.clock.now()
    move.abort()
    result = move.result()
    assert firmware.motion_end_s - at_s < 1.1
    assert result.aborted
    assert result.commanded_mm < 40.0
    assert result.anomalies == ()
    assert result.measured_s == pytest.approx(result.expected_s, abs=0.02)


def test_broken_off_before_it_began(printer: Printer, firmware: FakeFirmware) -> None:
    make_ready(printer, firmware)
    move = printer.start_move(length_mm=60.0, speed_mm_s=10.0)
    move.abort()
    result = move.result()
    assert (result.commanded_mm, result.measured_s, result.expected_s) == (0.0, 0.0, 0.0)


def test_a_poller_that_overslept_is_told(printer: Printer, firmware: FakeFirmware) -> None:
    make_ready(printer, firmware)
    move = printer.start_move(length_mm=30.0, speed_mm_s=5.0)
    for _ in range(50):
        move.poll(0.02)
    firmware.clock.sleep(2.5)
    anomalies = move.result().anomalies
    assert any(a.startswith("starved:") for a in anomalies)
    assert any(a.startswith("move-time:") for a in anomalies)


def test_a_full_planner_that_holds_its_ok_back(printer: Printer, firmware: FakeFirmware) -> None:
    """Clamped to a fifth: oks come seconds late, lines are repeated, and no length is lost."""
    make_ready(printer, firmware)
    printer.calibrate_barrier()
    before = len(firmware.moves)
    firmware.slots, firmware.speed_share = 8, 0.2
    result = printer.start_move(length_mm=30.0, speed_mm_s=5.0).result()
    assert sum(length for _, length, _ in firmware.moves[before:]) == pytest.approx(
        result.commanded_mm, abs=1e-6
    )
    assert any(a.startswith("move-time:") for a in result.anomalies)


def test_a_speed_above_the_firmwares_limit_is_refused_before_sending(
    printer: Printer, firmware: FakeFirmware
) -> None:
    if firmware.family == "B":
        pytest.skip("its limit is not told")
    make_ready(printer, firmware)
    sent = len(firmware.port.sent)
    printer.barrier_waits = True
    with pytest.raises(UnfitBenchError, match="above the firmware's own limit of 25 mm/s"):
        printer.start_move(length_mm=30.0, speed_mm_s=25.1)
    assert len(firmware.port.sent) == sent


def test_a_barrier_that_does_not_wait_is_found_out(
    printer: Printer, firmware: FakeFirmware
) -> None:
    make_ready(printer, firmware)
    body = b"X:0.00 Y:0.00 Z:0.00 E:%.2f Count X:0\n"
    firmware.overrides = lambda text: (
        [b"ok\n"]
        if text == "M400"
        else [body % firmware.e_mm + b"ok\n"]
        if text == "M114"
        else None
    )
    assert printer.calibrate_barrier()
    assert printer.barrier_waits is False


def test_cold_calibration_leaves_the_usual_values(printer: Printer, firmware: FakeFirmware) -> None:
    printer.connect()
    printer.prepare()
    assert not printer.calibrate_barrier()
    assert printer.barrier_waits is None
    assert printer.barrier_latency_s == 0.1


def test_emergency_verbs_go_bare_and_the_counter_stands_still(
    printer: Printer, firmware: FakeFirmware
) -> None:
    make_ready(printer, firmware)
    move = printer.start_move(length_mm=30.0, speed_mm_s=5.0)
    for _ in range(50):
        move.poll(0.02)
    printer.stop_motion()
    if firmware.family != "B":
        assert b"M410" in firmware.port.sent
        assert firmware.motion_end_s <= firmware.clock.now()
    assert printer.temperature().target_c == 210.0, "in step again"
    printer.emergency()
    assert firmware.port.sent[-1] == b"M112"
    assert firmware.halted


def test_restore_tells_what_it_could_not(printer: Printer, firmware: FakeFirmware) -> None:
    make_ready(printer, firmware)
    firmware.overrides = lambda text: [b"!! no\nok\n"] if text.startswith("M220") else None
    undone = printer.restore()
    assert undone == ["speed multiplier: 'M220 S100': '!! no'"]
    assert firmware.current_ma == 800
    assert not firmware.relative
    assert printer.restore() == []


def test_restore_gives_up_on_a_silent_firmware_in_time(
    printer: Printer, firmware: FakeFirmware
) -> None:
    make_ready(printer, firmware)
    firmware.halted = True
    start_s = firmware.clock.now()
    undone = printer.restore()
    assert len(undone) >= 3
    assert any("not tried any more" in text for text in undone)
    assert firmware.clock.now() - start_s < 40.0


def test_the_current_that_is_put_back_is_read_twice(
    printer: Printer, firmware: FakeFirmware
) -> None:
    """A flipped bit in the very first read-back must not become the current that is restored."""
    if firmware.family == "B":
        pytest.skip("the other dialect")
    damaged = [b"E driver current: 900\nok\n"]
    firmware.overrides = lambda text: [damaged.pop()] if text == "M906" and damaged else None
    make_ready(printer, firmware)
    assert printer.restore() == []
    assert firmware.current_ma == 800


def test_a_port_opened_again_is_told_to_go_cold_before_anything_else(
    printer: Printer, firmware: FakeFirmware
) -> None:
    make_ready(printer, firmware)
    sent = len(firmware.port.sent)
    printer.reopened(firmware.port)
    assert firmware.target_c == 0.0
    assert firmware.port.texts[sent].endswith("S0")


def test_a_report_of_no_target_is_proof_whatever_the_acknowledgements_say(
    printer: Printer, firmware: FakeFirmware
) -> None:
    if firmware.family == "B":
        pytest.skip("it answers a question for the temperature in one way only")
    printer.connect()
    printer.set_target(200.0)
    firmware.overrides = lambda text: (
        [firmware.report() + b"\n", b'echo:Unknown command: "M105"\n', b"ok\n"]
        if text == "M105"
        else None
    )
    printer.heaters_off()
    assert firmware.target_c == 0.0
    assert printer.target_c == 0.0


def test_a_target_that_stays_is_not_taken_for_off(printer: Printer, firmware: FakeFirmware) -> None:
    printer.connect()
    printer.set_target(200.0)
    off = printer.dialect.lines("heaters_off")[0]
    firmware.overrides = lambda text: [b"ok\n"] if text == off else None
    with pytest.raises(CommandRefusedError, match="did not confirm"):
        printer.heaters_off()
