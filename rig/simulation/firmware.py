"""The firmware's main loop: lines in, replies out, one command at a time.

Lines arrive with a time stamp, wait in the receive buffer, are checked (number, checksum) as they
move into one of four command slots, and are worked off in order. A command is a generator in
`commands`: it yields what it waits for, and the world resumes it. The firmware knows world time
only as the argument of `run`.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Generator
from dataclasses import dataclass, field

from rig.simulation.faults import BUSY_S, FaultPlan
from rig.simulation.planner import Planner
from rig.simulation.registers import Family, Registers
from rig.simulation.thermal import Heater

SLOTS = 4
COMMAND_S = 0.0006  # what an ordinary command takes
MIN_EXTRUDE_C = 170.0
MAX_TEMP_C = 285.0

#: What a command waits for: a time, or a condition.
Wait = float | Callable[[], bool]
Work = Generator[Wait, None, None]


@dataclass(slots=True)
class Slot:
    """A command that waits its turn."""

    text: str
    number: int | None
    strikes: list[str] = field(default_factory=list)


@dataclass(slots=True)
class Firmware:
    """One board's firmware.

    Attributes:
        family: Its habits.
        defaults: Makes the settings that a restart gives.
        planner, heater: What it drives.
        send: Called with bytes to the host and a delay in s.
        break_cable: Called when the port is to break.
        applied_rms_a: What the driver makes of a setting in mA.
        faults: What goes wrong on purpose.
    """

    family: Family
    defaults: Callable[[], Registers]
    planner: Planner
    heater: Heater
    send: Callable[[bytes, float], None]
    break_cable: Callable[[], None]
    applied_rms_a: Callable[[int], float]
    faults: FaultPlan = field(default_factory=FaultPlan)
    registers: Registers = field(init=False)
    now_s: float = 0.0
    halted: str = ""
    stopped: bool = False  # the oldest builds' stop
    last_number: int = 0
    lines_taken: int = 0
    break_wait: bool = False
    ready_s: float = 0.0
    moved_s: float = 0.0
    early_barrier: bool = False
    _inbox: deque[tuple[float, str]] = field(default_factory=deque)
    _buffer: deque[str] = field(default_factory=deque)
    _slots: deque[Slot] = field(default_factory=deque)
    _work: Work | None = None
    _current: Slot | None = None
    _wait: Wait = 0.0
    _busy_from_s: float = 0.0
    _report_s: float = math.inf
    _idle_say_s: float = math.inf
    _command_s: float = 0.0

    def __post_init__(self) -> None:
        self.registers = self.defaults()

    # -- the world's side ---------------------------------------------------------------------

    def receive(self, line: str, at_s: float) -> None:
        """A line is complete in the receive buffer at ``at_s``."""
        self._inbox.append((at_s, line))

    @property
    def next_event_s(self) -> float:
        """When it has something to do, as far as it depends on time alone."""
        if self.halted:
            return math.inf
        due = min(self._report_s, self._idle_say_s, self.faults.next_s)
        if self._inbox:
            due = min(due, max(self._inbox[0][0], self.ready_s))
        if self._work is not None:
            due = min(due, self._busy_due_s)
            if isinstance(self._wait, float):
                due = min(due, self._wait)
        elif self._slots or self._buffer:
            due = min(due, self.now_s)
        registers = self.registers
        if registers.motors_on and registers.idle_s > 0.0 and self.planner.idle:
            due = min(due, self.moved_s + registers.idle_s)
        if registers.kill_s > 0.0:
            due = min(due, self._active_s + registers.kill_s)
        return due

    @property
    def _busy_due_s(self) -> float:
        return self._busy_from_s + self.registers.busy_s if self.registers.busy_s else math.inf

    @property
    def _active_s(self) -> float:
        return max(self._command_s, self.moved_s)

    def run(self, now_s: float) -> None:
        """Do everything that is due at ``now_s``."""
        self.now_s = now_s
        if not self.planner.idle:
            self.moved_s = now_s
        for name in self.faults.at_time(now_s):
            self.strike(name)
        if self.halted:
            self._inbox.clear()
            return
        self._take_in()
        self._work_off()
        self._speak_unasked()

    def restart(self, *, banner: bool, silence_s: float = 1.0) -> None:
        """Begin anew: settings at their defaults, heaters off, line counter at zero."""
        self.registers = self.defaults()
        self.planner.stop_now(self.now_s)
        self.heater.target_c = 0.0
        self.last_number = 0
        self.halted, self.stopped = "", False
        self._inbox.clear()
        self._buffer.clear()
        self._slots.clear()
        self._work = self._current = None
        self._report_s = self._idle_say_s = math.inf
        self._command_s = self.moved_s = self.now_s
        if banner:
            self.say("start", "echo: External Reset")
            self.ready_s = self.now_s + silence_s

    def boot(self, *, after_s: float) -> None:
        """A restart by opening the port: deaf until the banner comes after ``after_s``."""
        self.restart(banner=False)
        self.ready_s = self.now_s + after_s
        for _ in self.faults.at_open():
            self.send(b"\xfe\x80\x00\xf8", after_s - 0.02)
        text = f"start\necho:{self.family.name.upper()} virtual bench\necho: Free Memory: 4096\n"
        self.send(text.encode("ascii"), after_s)

    # -- replies ------------------------------------------------------------------------------

    def say(self, *lines: str) -> None:
        """Send lines to the host now."""
        for line in lines:
            self.send(line.encode("ascii", "replace") + b"\n", 0.0)

    def ok(self, slot: Slot, tail: str = "") -> None:
        """Send the ok of a command, as this family does, or as a fault has it."""
        if self.halted:
            return
        number = slot.number
        text = "ok"
        if self.family.ok_with_number and number is not None:
            text = f"ok {number}"
        if tail:
            text += f" {tail}"
        for strike in slot.strikes:
            if strike == "lost-ok":
                self._idle_say_s = self.now_s + 1.0
                return
            if strike == "surplus-ok":
                self.send(b"ok\nok\n", 0.0)
                return
            if strike == "split-ok":
                self.send(b"o", 0.0)
                self.send(text[1:].encode("ascii") + b"\n", 0.05)
                return
            if strike == "swallowed-ok":
                shown = number if number is not None else 7531
                c = self.heater.reading_c
                self.say(f"T:{c:.1f} /{self.heater.target_c:.1f} @:6N{shown}ok N{shown} P0 B3")
                return
            if strike == "glued-nul":
                self.send(b"okT:210.0 /210.0 T\x00:209\n", 0.0)
                return
        self.say(text)

    def temperatures(self) -> str:
        """The temperature fields of a report."""
        heater = self.heater
        return (
            f"T:{heater.reading_c:.2f} /{heater.target_c:.2f} B:22.00 /0.00 "
            f"@:{int(heater.duty * 127)} B@:0"
        )

    # -- lines --------------------------------------------------------------------------------

    def _take_in(self) -> None:
        from rig.simulation.lines_in import check_line

        while self._inbox and self._inbox[0][0] <= self.now_s:
            at_s, line = self._inbox.popleft()
            if at_s < self.ready_s - 0.05:
                continue  # the board was still starting
            self._act_on_reception(line)
            if self.halted:
                return
            self._buffer.append(line)
        while self._buffer and len(self._slots) < SLOTS and not self.halted:
            slot = check_line(self, self._buffer.popleft())
            if slot is None:
                continue
            self._idle_say_s = math.inf
            self._command_s = self.now_s
            if self.family.ok_on_receipt and not _answers_in_ok(slot.text):
                self.ok(slot)
            self._slots.append(slot)

    def _act_on_reception(self, line: str) -> None:
        if not self.family.emergency_parser:
            return
        words = line.split("*")[0].split()
        if words and words[0][:1] == "N" and words[0][1:].isdigit():
            words = words[1:]
        if words[:1] == ["M112"]:
            self.kill("")
        elif words[:1] == ["M410"]:
            self.quick_stop()
        elif words[:1] == ["M108"]:
            self.break_wait = True

    def _work_off(self) -> None:
        from rig.simulation.commands import work_for

        for _ in range(10000):
            if self.halted:
                return
            if self._work is None:
                if not self._slots:
                    break
                self._current = self._slots.popleft()
                self._busy_from_s = self.now_s
                self.break_wait = False
                self._work = work_for(self, self._current)
                self._wait = self.now_s + COMMAND_S
                self._take_in()
            if isinstance(self._wait, float):
                if self._wait > self.now_s + 1e-9:
                    break
            elif not self._wait():
                break
            try:
                self._wait = next(self._work)
                if isinstance(self._wait, int):
                    self._wait = float(self._wait)
            except StopIteration:
                self._work = self._current = None
                self._take_in()
        if self._work is not None and self.now_s >= self._busy_due_s - 1e-9:
            self._busy_from_s = self.now_s
            if self.family.name != "b":
                echo = "" if self.family.ok_on_receipt else "echo:"
                self.say(f"{echo}busy: processing")

    def _speak_unasked(self) -> None:
        registers = self.registers
        if registers.report_s > 0.0:
            if self._report_s == math.inf:
                self._report_s = self.now_s + registers.report_s
            elif self.now_s >= self._report_s - 1e-9:
                self.say(" " + self.temperatures())
                self._report_s = self.now_s + registers.report_s
        else:
            self._report_s = math.inf
        if self._work is None and not self._slots:
            if self.now_s >= self._idle_say_s - 1e-9:
                self.say("wait")
                self._idle_say_s = self.now_s + 1.0
            elif self.family.waits and self._idle_say_s == math.inf:
                self._idle_say_s = self.now_s + 1.0
        if (
            registers.motors_on
            and registers.idle_s > 0.0
            and self.planner.idle
            and self.now_s >= self.moved_s + registers.idle_s - 1e-9
        ):
            registers.motors_on = False
        if registers.kill_s > 0.0 and self.now_s >= self._active_s + registers.kill_s - 1e-9:
            self.kill("Error:KILL caused by too much inactive time")
        if self.heater.block_c > MAX_TEMP_C:
            self.kill("Error:MAXTEMP triggered, system stopped! Heater_ID: E0")

    # -- stops and faults ---------------------------------------------------------------------

    def kill(self, reason: str) -> None:
        """Heaters off, motion stopped, deaf until a restart."""
        if self.halted:
            return
        self.heater.target_c = 0.0
        self.planner.stop_now(self.now_s)
        self.registers.motors_on = False
        if reason:
            self.say(reason)
        self.say("Error:Printer halted. kill() called!")
        self.halted = reason or "kill"
        self._work = self._current = None
        self._slots.clear()

    def quick_stop(self) -> None:
        """Clear the planner and stop at once."""
        self.planner.stop_now(self.now_s)

    def strike(self, name: str) -> list[str]:
        """Let a fault that needs no command happen; returns it where it belongs to the command."""
        if name == "reset":
            self.restart(banner=True)
        elif name == "silent-reset":
            self.restart(banner=False)
        elif name == "heater-kill":
            self.kill("Error:Heating failed, system stopped! Heater_ID: E0")
        elif name == "old-stop":
            self.heater.target_c = 0.0
            self.stopped = True
            self.say("Error:0", ": Extruder switched off. MAXTEMP triggered !")
        elif name == "silent-halt":
            self.halted = "hung"
            self._work = self._current = None
        elif name == "step-down":
            was = self.registers.current_ma
            self.registers.current_ma = was - 50
            self.say(
                f"E0 driver overtemperature warning! ({was}mA)",
                f"E0 current decreased to {was - 50}",
            )
        elif name == "cable-cut":
            self.send(b"ok T:21", 0.0)
            self.break_cable()
        elif name in ("template-shutdown", "clamp", "early-ok"):
            pass  # lasting: asked for where it matters
        else:
            return [name]
        return []

    def busy_wait(self) -> Work:
        """Ten minutes of busy lines."""
        yield self.now_s + BUSY_S


def _answers_in_ok(text: str) -> bool:
    """Whether the answer is part of the ok line, so that ok cannot come before."""
    return text.split()[:1] == ["M105"]
