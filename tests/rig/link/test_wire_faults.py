"""The faults that a wire and a firmware are known for, each injected once, each ending right.

The bytes are those that were seen in raw logs of real firmwares.
"""

from __future__ import annotations

import pytest
from fake_printer import CABLE_CUT, Answer, FakeFirmware, scripted, step

from rig.errors import (
    CommandRefusedError,
    FirmwareHaltedError,
    FirmwareResetError,
    LinkError,
    LinkLostError,
    ReplyTimeoutError,
)
from rig.link.conversation import Link
from rig.link.dialect import Dialect, load_dialect
from rig.printer import Move, Printer

POSITION = load_dialect("numbered").replies["position"][0]
BODY = b"X:0.00 Y:0.00 Z:0.00 E:3.00 Count X:0\n"


def ready(firmware: FakeFirmware, dialect: Dialect | None = None) -> Printer:
    """A prepared printer, hot, with its barrier calibrated."""
    link = Link(firmware.port, dialect or load_dialect("numbered"), firmware.clock)
    printer = Printer(link, clock=firmware.clock, filament_diameter_mm=1.75)
    printer.connect()
    printer.prepare()
    printer.set_current(0.55)
    printer.set_target(210.0)
    firmware.temperature_c = 210.0
    assert printer.calibrate_barrier()
    return printer


def poll(move: Move, times: int) -> None:
    for _ in range(times):
        move.poll(0.02)


def test_01_resend_without_ok() -> None:
    complaint = b"Error:checksum mismatch, Last Line: 0\nResend: 1\n"
    with scripted(step("N1 M83*25", complaint), step("M83", b"ok\n")) as s:
        reply = s.link.command("M83")
    assert reply.good
    assert reply.repeats == 1
    assert s.port.sent[0] == s.port.sent[1], "the very same line, under the same number"


def test_02_the_same_triple_three_times_is_answered_once() -> None:
    triple = b"Error:checksum mismatch, Last Line: 0\nResend: 1\nok\n"
    with scripted(step("M83", triple, (0.03, triple), (0.06, triple)), step("M83", b"ok\n")) as s:
        reply = s.link.command("M83")
        s.link.pump(0.5)
    assert reply.good
    assert [n for n in s.link.take_notices() if n.kind == "surplus-ok"] == []


def test_03_surplus_ok_does_not_answer_the_next_question() -> None:
    with scripted(
        step("M83", b"ok\nok\n"),
        step("M114", (0.3, BODY + b"ok\n")),
        step("M105", (0.3, b"ok T:210.0 /210.0\n")),
    ) as s:
        assert s.link.command("M83").good
        reply = s.link.command("M114", want=POSITION)
        assert reply.found is not None
        assert reply.found["value"] == "3.00"
        answer = s.link.command("M105", want_temperature=True)
        assert answer.temperature is not None
        assert answer.temperature.actual_c == 210.0
        s.link.pump(0.1)
    assert [n.kind for n in s.link.take_notices()] == ["surplus-ok"]


def test_03b_surplus_ok_that_comes_after_the_next_line() -> None:
    """It is taken for the next ok; the body still is the right one, and no ok is left over."""
    with scripted(
        step("M83", b"ok\n", (0.05, b"ok\n")),
        step("M114", (0.3, BODY + b"ok\n")),
        step("M83", (0.1, b"ok\n")),
    ) as s:
        s.link.command("M83")
        reply = s.link.command("M114", want=POSITION)
        assert reply.found is not None
        s.link.pump(0.1)
        before_s = s.clock.now()
        s.link.command("M83")
    assert s.clock.now() - before_s == pytest.approx(0.1), "waited for its own ok"


def test_04_lost_ok_then_wait() -> None:
    with scripted(
        step("M83", (1.0, b"wait\n")),
        step("M83", b"skip 1\n", (0.02, b"ok 1\n")),
        step("M105", b"ok 2\nT:210.0 /210.0\n"),
    ) as s:
        assert s.link.command("M83").good
        assert s.link.command("M105", want_temperature=True).temperature is not None
    assert s.link.habits.waits_when_idle


def test_04b_a_wait_that_was_already_on_its_way_proves_nothing() -> None:
    with scripted(step("M83", (0.01, b"wait\n"), (0.9, b"ok 1\n"))) as s:
        assert s.link.command("M83").repeats == 0


def test_05_split_ok() -> None:
    with scripted(step("M83", (0.01, b"o"), (0.06, b"k\n"))) as s:
        assert s.link.command("M83").good


def test_06_ok_swallowed_by_a_report() -> None:
    with scripted(step("M83", b"T:190.2 /190.0 @:6N1ok N1 P0 B3\n")) as s:
        heard = []
        s.link.hear_temperatures(lambda event, _now: heard.append(event.actual_c))
        reply = s.link.command("M83")
    assert reply.good
    assert heard == [190.2]
    assert s.link.habits.numbers_in_ok


def test_07_flipped_bit_in_the_complaint() -> None:
    steps = [step(f"M22{k}", b"ok\n") for k in range(8)]
    complaint = b"Error:checksum misoatch, Last Line: 8\nResend: 9\nok\n"
    with scripted(*steps, step("M83", complaint), step("M83", b"ok\n")) as s:
        for k in range(8):
            s.link.command(f"M22{k}")
        assert s.link.command("M83").good
    assert s.port.sent[-1].startswith(b"N9 ")


@pytest.mark.parametrize("impossible", [b"Resend: 1\n", b"Resend: 1\nok\n", b"Resend: 9999\n"])
def test_08_impossible_resend_is_not_believed(impossible: bytes) -> None:
    """One is noise: the line goes out again. Nothing from the far past is ever sent."""
    firmware = FakeFirmware("A1")
    printer = ready(firmware)
    for _ in range(388):
        printer.link.command("M83")
    noise = [impossible]

    def garble(text: str) -> list[Answer] | None:
        if text == "M82" and noise:
            firmware.last -= 1  # it had not taken it
            return [noise.pop()]
        return None

    firmware.overrides = garble
    sent = len(firmware.port.sent)
    assert printer.link.command("M82").good
    assert firmware.port.texts[sent:] == ["M82", "M82"]
    assert firmware.port.sent[sent] == firmware.port.sent[sent + 1]


def test_09_reset_in_the_middle_is_noticed_at_the_next_byte() -> None:
    firmware = FakeFirmware("A1")
    printer = ready(firmware)
    move = printer.start_move(length_mm=30.0, speed_mm_s=3.0)
    poll(move, 50)
    firmware.power_cycle()
    firmware.overrides = lambda _text: []
    firmware.port.say(b"start\necho: External Reset\n", after_s=0.001)
    at_s = firmware.clock.now()
    with pytest.raises(FirmwareResetError, match="restarted by itself"):
        poll(move, 100)
    assert firmware.clock.now() - at_s < 0.01
    with pytest.raises(FirmwareResetError):
        printer.link.command("M105")


def test_10_silent_reset_shows_by_the_line_counter() -> None:
    firmware = FakeFirmware("A1")
    printer = ready(firmware)
    move = printer.start_move(length_mm=30.0, speed_mm_s=3.0)
    poll(move, 50)
    firmware.power_cycle()
    with pytest.raises(FirmwareResetError, match="line counter is back at zero"):
        poll(move, 200)


def test_10b_silent_reset_without_line_numbers_shows_by_position_and_target(tmp_path) -> None:
    firmware = FakeFirmware("B")
    printer = ready(firmware, template(tmp_path))
    move = printer.start_move(length_mm=10.0, speed_mm_s=5.0)
    while move.sent_mm < move.length_mm:
        move.poll(0.02)
    firmware.power_cycle()
    with pytest.raises(FirmwareResetError, match="without saying so"):
        move.result()


def test_11_garbage_at_connect() -> None:
    firmware = FakeFirmware("A1")
    firmware.port.say(b"\xfe\x80\x00\xf8start\n", after_s=1.1)
    firmware.port.say(b"echo: External Reset\nhouse 1.0\n", after_s=1.6)
    link = Link(firmware.port, load_dialect("numbered"), firmware.clock)
    printer = Printer(link, clock=firmware.clock, filament_diameter_mm=1.75)
    opened_s = firmware.clock.now()
    identity = printer.connect()
    assert identity.booted
    assert "FIRMWARE_NAME:house" in identity.text
    assert firmware.port.sent[0] == b"N0 M110 N0*125"
    assert firmware.clock.now() - opened_s > 2.6, "a second of quiet after the banner"


def test_12_glued_ok_and_nul_bytes() -> None:
    with scripted(step("M105", b"okT:210.0 /210.0 T\x00:209\n")) as s:
        reply = s.link.command("M105", want_temperature=True)
    assert reply.temperature is not None
    assert (reply.temperature.actual_c, reply.temperature.target_c) == (210.0, 210.0)


def test_13_busy_for_ten_minutes_is_bounded() -> None:
    busy = [(2.0 * k, b"echo:busy: processing\n") for k in range(1, 300)]
    with scripted(step("M83", *busy)) as s:
        with pytest.raises(ReplyTimeoutError, match="only said 'echo:busy: processing'"):
            s.link.command("M83", timeout_s=5.0, busy_s=120.0)
        assert s.clock.now() - 1000.0 == pytest.approx(120.0, abs=0.1)


def test_13b_busy_extends_the_wait() -> None:
    busy = [(2.0 * k, b"echo:busy: processing\n") for k in range(1, 20)]
    with scripted(step("M83", *busy, (41.0, b"ok\n"))) as s:
        assert s.link.command("M83", timeout_s=5.0, busy_s=120.0).good


@pytest.mark.parametrize(
    "echo",
    [
        b"echo: cold extrusion prevented\nok\n",  # fault 14
        b"echo: col cold extru cold extrusion preventednted\nok\n",  # fault 15
        b"echo: too long extrusion prevented\nok\n",  # fault 16
    ],
)
def test_14_15_16_refused_move_is_never_taken_for_a_good_one(echo: bytes) -> None:
    firmware = FakeFirmware("A1")
    printer = ready(firmware)
    firmware.overrides = lambda text: [echo] if text.startswith("G1 ") else None
    move = printer.start_move(length_mm=20.0, speed_mm_s=5.0)
    result = move.result()
    assert move.refused is not None
    assert result.refused in echo.decode()
    assert any(a.startswith("refused:") for a in result.anomalies)
    assert result.commanded_mm < 2.0, "feeding stops at once"


def test_14b_refusal_unheard_shows_by_the_barrier() -> None:
    """Should the remark be lost altogether, motion that never was ends far too early."""
    firmware = FakeFirmware("A1")
    printer = ready(firmware)
    firmware.overrides = lambda text: [b"ok\n"] if text.startswith("G1 ") else None
    result = printer.start_move(length_mm=20.0, speed_mm_s=5.0).result()
    assert any(a.startswith("move-time:") and "early" in a for a in result.anomalies)


def template(tmp_path) -> Dialect:
    file = tmp_path / "house.toml"
    file.write_text(
        'base = "template"\n[commands]\n'
        'set_current = "MOTOR_CURRENT NAME=extruder AMPERES={current_a}"\n'
        'get_current = "MOTOR_CURRENT NAME=extruder"\n'
        "[replies]\ncurrent = ['run current: (?P<current_a>[0-9.]+)']\n"
    )
    return load_dialect(file)


def test_17_refusal_of_the_named_parameter_dialect(tmp_path) -> None:
    firmware = FakeFirmware("B")
    printer = ready(firmware, template(tmp_path))
    firmware.temperature_c = 100.0
    result = printer.start_move(length_mm=20.0, speed_mm_s=5.0).result()
    assert result.refused is not None
    assert "Extrude below minimum temp" in result.refused


def test_17b_an_ok_after_an_error_is_no_success(tmp_path) -> None:
    firmware = FakeFirmware("B")
    printer = ready(firmware, template(tmp_path))
    firmware.overrides = lambda text: [b"// Bad value\n!! Bad value\nok\n"]
    with pytest.raises(CommandRefusedError, match="Bad value"):
        printer.set_target(200.0)


def test_18_shutdown_of_the_named_parameter_dialect(tmp_path) -> None:
    firmware = FakeFirmware("B")
    printer = ready(firmware, template(tmp_path))
    down = b"// Printer is shutdown\n!! house shutdown: Timer too close\nok\n"
    firmware.overrides = lambda _text: [down]
    with pytest.raises(FirmwareHaltedError, match="switch the printer off and on"):
        printer.temperature()
    with pytest.raises(CommandRefusedError, match="did not confirm"):
        printer.heaters_off()


@pytest.mark.parametrize(
    "last_words",
    [
        b"Error:Heating failed, system stopped! Heater_ID: E0\n",  # fault 19
        b"Error:0\n: Extruder switched off. MAXTEMP triggered !\n",  # fault 20
        b"Error:MINTEMP triggered, system stopped! Heater_ID: bed\n",
        b"Error:Thermal Runaway, system stopped! Heater_ID: E0\n",
        b"Error:Printer halted. kill() called!\n",
    ],
)
def test_19_20_heater_kill(last_words: bytes) -> None:
    firmware = FakeFirmware("A1")
    printer = ready(firmware)
    move = printer.start_move(length_mm=30.0, speed_mm_s=3.0)
    poll(move, 50)
    firmware.halted = True
    firmware.port.say(last_words, after_s=0.01)
    with pytest.raises(FirmwareHaltedError):
        poll(move, 100)
    with pytest.raises(CommandRefusedError):
        printer.heaters_off()


def test_20b_every_command_answered_by_the_stop() -> None:
    stopped = b"Error:Printer stopped due to errors. Fix the error and use M999 to restart.\nok\n"
    with scripted(step("M105", stopped)) as s, pytest.raises(FirmwareHaltedError):
        s.link.command("M105", want_temperature=True)


def test_21_silent_halt_raises_within_the_deadline() -> None:
    firmware = FakeFirmware("A1")
    printer = ready(firmware)
    move = printer.start_move(length_mm=30.0, speed_mm_s=3.0)
    poll(move, 50)
    firmware.halted = True
    at_s = firmware.clock.now()
    with pytest.raises(ReplyTimeoutError, match="no answer to 'G1"):
        poll(move, 1000)
    assert firmware.clock.now() - at_s < 7.0


def test_22_step_down_in_the_middle() -> None:
    firmware = FakeFirmware("A1")
    printer = ready(firmware)
    move = printer.start_move(length_mm=10.0, speed_mm_s=5.0)
    poll(move, 30)
    firmware.port.say(b"E0 driver overtemperature warning! (850mA)\n")
    firmware.port.say(b"current decreased to 500\n")
    firmware.current_ma = 500
    anomalies = move.result().anomalies
    assert any(a.startswith("stepped-down:") for a in anomalies)
    assert any(a.startswith("settings-changed:") and "0.5 A" in a for a in anomalies)


def test_23_counter_wrap_of_the_step_down() -> None:
    firmware = FakeFirmware("A1")
    printer = ready(firmware)
    firmware.current_ma = 63286
    assert printer.read_current() == pytest.approx(63.286)
    assert any("63.286 A" in anomaly for anomaly in printer.verify())
    firmware.overrides = lambda text: [b"ok\n"] if text.startswith("M906 T0") else None
    with pytest.raises(CommandRefusedError, match=r"reads 63\.286 A"):
        printer.set_current(0.55)


@pytest.mark.parametrize("family", ["A1", "A2"])
def test_24_clamp_shows_by_the_barrier(family: str) -> None:
    firmware = FakeFirmware(family)
    printer = ready(firmware)
    firmware.speed_share = 1.0 / 1.4
    result = printer.start_move(length_mm=30.0, speed_mm_s=5.0).result()
    assert result.measured_s == pytest.approx(1.4 * result.expected_s, rel=0.02)
    assert any(a.startswith("move-time:") and "late" in a for a in result.anomalies)


def test_24b_early_ok_0_is_an_ok() -> None:
    with scripted(step("M400", b"ok 0\n"), step("M114", b"ok 0\n", (3.0, BODY))) as s:
        assert s.link.command("M400").good
        reply = s.link.command("M114", want=POSITION, body_grace_s=None, timeout_s=10.0)
    assert reply.body_s == pytest.approx(1003.005, abs=0.01)


def test_25_cable_cut_in_the_middle_of_a_line() -> None:
    firmware = FakeFirmware("A1")
    printer = ready(firmware)
    firmware.overrides = lambda text: [b"ok T:21", (0.02, CABLE_CUT)] if text == "M105" else None
    with pytest.raises(LinkLostError) as caught:
        printer.temperature()
    text = str(caught.value)
    assert "fake://printer" in text
    assert "last command: 'M105'" in text
    assert "in the middle of 'ok T:21'" in text
    assert firmware.target_c == 210.0, "the heater is still on: the guard has to come back for it"


def test_half_a_line_is_no_answer_and_its_rest_answers_nothing() -> None:
    with scripted(
        step("M105", b"ok T:21"),
        # back in step: numbers restarted, then a question of another kind
        step("M110 N0", (0.01, b"0.0 /210.0\n"), (0.02, b"ok\n")),
        step("M114", BODY + b"ok\n"),
        step("M105", b"ok T:33.0 /0.0\n"),
    ) as s:
        with pytest.raises(ReplyTimeoutError, match="half a line came, 'ok T:21'"):
            s.link.command("M105", want_temperature=True, repeat_after_s=None)
        reply = s.link.command("M105", want_temperature=True)
    assert reply.temperature is not None
    assert reply.temperature.actual_c == 33.0


def test_a_late_reply_never_answers_the_next_question() -> None:
    with scripted(
        step("M105", (5.2, b"ok T:111.0 /0.0\n")),
        step("M110 N0", b"ok\n"),
        step("M114", BODY + b"ok\n"),
        step("M105", b"ok T:33.0 /0.0\n"),
    ) as s:
        with pytest.raises(ReplyTimeoutError, match="no answer to 'M105'"):
            s.link.command("M105", want_temperature=True, repeat_after_s=None)
        reply = s.link.command("M105", want_temperature=True)
    assert reply.temperature is not None
    assert reply.temperature.actual_c == 33.0


def test_noise_that_never_ends_gives_up() -> None:
    complaint = b"Error:checksum mismatch, Last Line: 0\nResend: 1\nok\n"
    with scripted(*[step("M83", complaint)] * 7) as s, pytest.raises(LinkError, match="cable"):
        s.link.command("M83", timeout_s=60.0)
