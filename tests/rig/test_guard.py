"""The one exit: heaters end up off, whatever happens and however often somebody insists."""

from __future__ import annotations

import os
import signal

import pytest
from fake_printer import FakeClock, FakeFirmware, FakePort

from rig.errors import (
    CommandRefusedError,
    InterlockError,
    InterruptedRunError,
    LinkError,
    LinkLostError,
)
from rig.guard import STILL_HOT, Envelope, Guard, caution_text
from rig.link.conversation import Link
from rig.link.dialect import load_dialect
from rig.printer import Printer

ENVELOPE = Envelope(max_temperature_c=260.0)


def new_printer(firmware: FakeFirmware) -> Printer:
    link = Link(firmware.port, load_dialect("numbered"), firmware.clock)
    return Printer(link, clock=firmware.clock, filament_diameter_mm=1.75)


def new_guard(printer: Printer, said: list[str], **more: object) -> Guard:
    return Guard(printer, clock=printer.clock, envelope=ENVELOPE, say=said.append, **more)  # type: ignore[arg-type]


def session(printer: Printer, firmware: FakeFirmware) -> None:
    """Everything that a run does to a printer, once."""
    printer.connect()
    printer.prepare()
    printer.arm_dead_man(300.0)
    printer.set_current(0.55)
    printer.set_target(210.0)
    firmware.temperature_c = 210.0
    printer.temperature()
    move = printer.start_move(length_mm=3.0, speed_mm_s=3.0)
    while not move.done:
        move.poll(0.05)
    printer.verify()


def made_safe(firmware: FakeFirmware) -> None:
    assert firmware.target_c == 0.0
    assert firmware.bed_target_c == 0.0
    assert firmware.current_ma == 800
    assert firmware.flow_percent == 95.0
    assert firmware.pressure == pytest.approx(0.05)
    assert not firmware.relative
    assert firmware.port.closed


def lines_of_a_session() -> int:
    firmware = FakeFirmware()
    session(new_printer(firmware), firmware)
    return len(firmware.port.sent)


def test_a_normal_end_restores_everything() -> None:
    firmware = FakeFirmware()
    printer, said = new_printer(firmware), []
    with new_guard(printer, said):
        session(printer, firmware)
        assert firmware.target_c == 210.0
        assert firmware.current_ma == 550
    made_safe(firmware)
    assert said == []
    assert not any("M302" in text or "M500" in text for text in firmware.port.texts)


@pytest.mark.parametrize("before_the_answer", [True, False])
def test_interrupt_after_every_single_command(before_the_answer: bool) -> None:
    """Ctrl-C at any command: before its answer is read, or once the command is through."""
    total = lines_of_a_session()
    assert total > 40
    for at in range(1, total + 1):
        firmware = FakeFirmware()
        printer, said = new_printer(firmware), []
        seen = [0]

        def interrupt(_line: bytes, seen: list[int] = seen, at: int = at) -> None:
            seen[0] += 1
            if seen[0] == at:
                raise KeyboardInterrupt

        firmware.port.after_write = interrupt
        if not before_the_answer:
            firmware.port.after_write = None
            read = firmware.port.read_some

            def read_some(
                wait_s: float = 0.0,
                firmware: FakeFirmware = firmware,
                at: int = at,
                done: list[int] = seen,
                read=read,
            ) -> bytes:
                data = read(wait_s)
                if len(firmware.port.sent) >= at and data and not done[0]:
                    done[0] = 1
                    raise KeyboardInterrupt
                return data

            firmware.port.read_some = read_some  # type: ignore[method-assign]
        with pytest.raises(InterruptedRunError), new_guard(printer, said):
            session(printer, firmware)
        assert firmware.target_c == 0.0, f"heater on after an interrupt at line {at}"
        made_safe(firmware)
        assert said == [], f"line {at}"


def test_a_second_interrupt_does_not_skip_the_heater() -> None:
    """Ctrl-C again and again, at every line of the exit."""
    firmware = FakeFirmware()
    printer, said = new_printer(firmware), []
    count = [0]

    def again(_line: bytes) -> None:
        count[0] += 1
        if count[0] % 2 and count[0] < 24:
            raise KeyboardInterrupt

    def run() -> None:
        with new_guard(printer, said):
            session(printer, firmware)
            firmware.port.after_write = again
            printer.temperature()

    with pytest.raises(InterruptedRunError):
        run()
    made_safe(firmware)
    assert count[0] > 10


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_signals_stop_the_run_and_are_handed_back(name: str) -> None:
    number = getattr(signal, name)
    before = signal.getsignal(number)
    firmware = FakeFirmware()
    printer, said = new_printer(firmware), []

    def again(_line: bytes) -> None:
        os.kill(os.getpid(), number)

    def run() -> None:
        with new_guard(printer, said):
            session(printer, firmware)
            os.kill(os.getpid(), number)
            pytest.fail("the signal did not stop the run")

    firmware.port.after_write = lambda line: again(line) if b"M104 T0 S0" in line else None
    with pytest.raises(InterruptedRunError, match="resume"):
        run()
    made_safe(firmware)
    assert any("already stopping" in text for text in said), "the second signal got a word"
    assert signal.getsignal(number) is before


def test_an_error_passes_through_unchanged() -> None:
    firmware = FakeFirmware()
    printer = new_printer(firmware)

    def run() -> None:
        with new_guard(printer, []):
            session(printer, firmware)
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        run()
    made_safe(firmware)


def test_every_step_is_tried_and_the_exit_is_idempotent() -> None:
    firmware = FakeFirmware()
    printer, done = new_printer(firmware), []
    guard = new_guard(printer, [])
    with guard:
        session(printer, firmware)
        guard.add_cleanup("microphone", lambda: done.append("microphone"))
        guard.add_cleanup("encoder", lambda: 1 / 0)
        first = guard.safe_state()
    assert done == ["microphone"]
    assert first == ["encoder: division by zero"]
    assert guard.safe_state() is first
    made_safe(firmware)


def test_a_heater_that_does_not_confirm_is_met_with_the_emergency_verb() -> None:
    firmware = FakeFirmware()
    printer, said = new_printer(firmware), []
    with new_guard(printer, said):
        session(printer, firmware)
        firmware.overrides = lambda text: [b"ok\n"] if text.startswith("M104") else None
    assert firmware.halted, "M112 arrived"
    assert firmware.target_c == 0.0
    assert STILL_HOT in said[0]
    assert "target still 210 C" in said[0]


def test_the_target_in_the_report_counts_not_the_ok() -> None:
    firmware = FakeFirmware()
    printer = new_printer(firmware)
    session(printer, firmware)
    firmware.overrides = lambda text: [b"ok\n"] if text.startswith("M104") else None
    with pytest.raises(CommandRefusedError, match="did not confirm"):
        printer.heaters_off()


def test_a_silent_firmware_is_told_plainly_and_in_time() -> None:
    firmware = FakeFirmware()
    printer, said = new_printer(firmware), []
    with new_guard(printer, said):
        session(printer, firmware)
        firmware.halted = True
        start_s = firmware.clock.now()
    assert firmware.port.texts[-1] == "M112"
    assert STILL_HOT in said[0]
    assert firmware.clock.now() - start_s < 60.0
    assert firmware.port.closed


def test_the_heater_is_switched_off_over_a_halted_firmware_that_still_obeys() -> None:
    """One old build says that it has stopped and leaves its heater on."""
    firmware = FakeFirmware()
    printer, said = new_printer(firmware), []

    def run() -> None:
        with new_guard(printer, said):
            session(printer, firmware)
            firmware.port.say(b"Error:Printer halted. kill() called!\n")
            printer.temperature()

    with pytest.raises(LinkError, match="stopped itself"):
        run()
    assert firmware.target_c == 0.0


def test_after_a_restart_nothing_is_moved_and_the_current_is_put_back() -> None:
    firmware = FakeFirmware()
    printer, said = new_printer(firmware), []

    def run() -> None:
        with new_guard(printer, said):
            session(printer, firmware)
            firmware.power_cycle()
            firmware.current_ma = 650  # the driver's own default
            firmware.port.say(b"start\n")
            printer.temperature()

    with pytest.raises(LinkError, match="restarted"):
        run()
    moves = len(firmware.moves)
    assert firmware.target_c == 0.0
    assert firmware.current_ma == 800
    assert len(firmware.moves) == moves


def test_a_cut_cable_is_followed_to_where_the_device_comes_back() -> None:
    firmware = FakeFirmware()
    printer, said = new_printer(firmware), []
    looked = [0]

    def reopen() -> FakePort:
        looked[0] += 1
        if looked[0] < 5:
            raise LinkLostError("not yet")
        port = FakePort(firmware.clock, firmware.receive)
        firmware.port = port
        return port

    def run() -> None:
        with new_guard(printer, said, reopen=reopen):
            session(printer, firmware)
            firmware.port.lost = True
            printer.temperature()

    with pytest.raises(LinkLostError):
        run()
    assert looked[0] == 5
    assert firmware.target_c == 0.0, "the heater was still on, and is off now"
    assert firmware.current_ma == 800
    assert said == []


def test_a_cable_that_stays_cut_is_told_plainly() -> None:
    firmware = FakeFirmware()
    printer, said = new_printer(firmware), []

    def run() -> None:
        with new_guard(printer, said):
            session(printer, firmware)
            firmware.port.lost = True
            printer.temperature()

    with pytest.raises(LinkLostError):
        run()
    assert STILL_HOT in said[0]


def test_nobody_there_and_nothing_heated_makes_no_fuss() -> None:
    firmware = FakeFirmware()
    firmware.halted = True
    printer, said = new_printer(firmware), []

    def run() -> None:
        with new_guard(printer, said):
            printer.connect()

    with pytest.raises(LinkError, match="no firmware answers"):
        run()
    assert said == []
    assert firmware.port.closed


def test_interlocks_reach_the_exit() -> None:
    firmware = FakeFirmware()
    printer, said = new_printer(firmware), []

    def run() -> None:
        with new_guard(printer, said) as guard:
            session(printer, firmware)
            guard.check()
            for _ in range(30):
                firmware.clock.sleep(1.0)  # nobody asks for the temperature any more
                guard.check()

    with pytest.raises(InterlockError, match="no temperature report"):
        run()
    made_safe(firmware)


def test_interlocks_hung_into_the_link_do_not_disturb_the_exit() -> None:
    firmware = FakeFirmware()
    printer, said = new_printer(firmware), []

    def run() -> None:
        with new_guard(printer, said) as guard:
            session(printer, firmware)
            printer.link.on_wait = guard.check
            firmware.temperature_c = 300.0
            firmware.target_c = 300.0
            for _ in range(5):
                printer.temperature()
                guard.check()

    with pytest.raises(InterlockError):
        run()
    made_safe(firmware)
    assert said == []


def test_guard_outside_the_main_thread_leaves_signals_alone() -> None:
    import threading

    firmware = FakeFirmware()
    before = signal.getsignal(signal.SIGTERM)
    failures: list[BaseException] = []

    def run() -> None:
        try:
            printer = new_printer(firmware)
            with new_guard(printer, []):
                session(printer, firmware)
        except BaseException as error:
            failures.append(error)

    thread = threading.Thread(target=run)
    thread.start()
    thread.join()
    assert failures == []
    made_safe(firmware)
    assert signal.getsignal(signal.SIGTERM) is before


def test_cautions_say_what_they_have_to() -> None:
    heating, alone = caution_text(), caution_text(unattended=True)
    for word in ("Burns", "Fire", "Fumes", "wreck", "manual of the printer's maker", "rules"):
        assert word in heating
    for word in ("Never rely on software alone", "independent thermal cut-out", "manual", "rules"):
        assert word in alone
    assert max(len(line) for line in (heating + alone).splitlines()) <= 100


def test_a_broken_screen_does_not_stop_the_exit() -> None:
    firmware = FakeFirmware()
    printer = new_printer(firmware)

    def broken(_text: str) -> None:
        raise BrokenPipeError

    guard = Guard(printer, clock=FakeClock(), envelope=ENVELOPE, say=broken)
    with guard:
        session(printer, firmware)
        guard.add_cleanup("microphone", lambda: 1 / 0)
    made_safe(firmware)
