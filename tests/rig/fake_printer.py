"""Fakes for tests of the link and the printer: a clock of their own, a script, a small firmware.

`scripted` is a whole conversation in one context manager: what must be sent, what is answered and
when. `FakeFirmware` behaves like a printer of one of the families, with a planner and a heater, and
lets a test put a fault in front of any answer.
"""

from __future__ import annotations

import heapq
import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field

from rig.errors import LinkClosedError, LinkLostError
from rig.link.conversation import Link
from rig.link.dialect import Dialect, load_dialect
from rig.link.numbering import checksum

Answer = bytes | tuple[float, bytes]


class FakeClock:
    """Time that moves only when something waits."""

    def __init__(self, start_s: float = 1000.0) -> None:
        self.time_s = start_s

    def now(self) -> float:
        return self.time_s

    def sleep(self, duration_s: float) -> None:
        self.time_s += max(0.0, duration_s)


class FakePort:
    """A port whose other end is a function of the received line."""

    name = "fake://printer"
    baud = 115200

    def __init__(self, clock: FakeClock, answer: Callable[[bytes], Iterable[Answer]]) -> None:
        self.clock = clock
        self.answer = answer
        self.sent: list[bytes] = []
        self.closed = False
        self.lost = False
        self.after_write: Callable[[bytes], None] | None = None
        self._queue: list[tuple[float, int, bytes]] = []
        self._order = 0
        self._line = b""

    def say(self, data: bytes, *, after_s: float = 0.0) -> None:
        """Let the other end say something by itself."""
        self._order += 1
        heapq.heappush(self._queue, (self.clock.now() + after_s, self._order, data))

    def read_some(self, wait_s: float = 0.0) -> bytes:
        if self.closed:
            raise LinkClosedError("closed")
        if not self._due() and wait_s > 0:
            end_s = self.clock.now() + wait_s
            next_s = self._queue[0][0] if self._queue else end_s
            self.clock.time_s = max(self.clock.now(), min(next_s, end_s))
        out = b""
        while self._due():
            data = heapq.heappop(self._queue)[2]
            if data == CABLE_CUT:
                self.lost = True
                break
            out += data
        if self.lost and not out:
            raise LinkLostError(
                f"{self.name} was lost while reading "
                "(device reports readiness to read but returned no data)"
            )
        return out

    def write(self, data: bytes) -> None:
        if self.closed:
            raise LinkClosedError("closed")
        if self.lost:
            raise LinkLostError(f"{self.name} was lost while writing")
        self._line += data
        while b"\n" in self._line:
            line, _, self._line = self._line.partition(b"\n")
            if not line:
                continue
            self.sent.append(line)
            for one in self.answer(line):
                after_s, what = one if isinstance(one, tuple) else (0.005, one)
                self.say(what, after_s=after_s)
            if self.after_write is not None:
                self.after_write(line)

    def close(self) -> None:
        self.closed = True

    @property
    def texts(self) -> list[str]:
        """What was sent, without numbers and checksums."""
        return [bare(line) for line in self.sent]

    def _due(self) -> bool:
        return bool(self._queue) and self._queue[0][0] <= self.clock.now() + 1e-9


CABLE_CUT = b"<cable cut>"


def bare(line: bytes) -> str:
    """A line without its number and checksum."""
    text = line.decode("ascii")
    found = re.fullmatch(r"N\d+ (.*)\*\d+", text)
    return found[1] if found else text


@dataclass
class Step:
    """One expected line and what comes back. ``wants`` may be the bare text or the whole line."""

    wants: str
    answers: tuple[Answer, ...]


def step(wants: str, *answers: Answer) -> Step:
    return Step(wants, answers)


@dataclass
class Scripted:
    link: Link
    port: FakePort
    clock: FakeClock
    left: list[Step] = field(default_factory=list)


@contextmanager
def scripted(*steps: Step, dialect: Dialect | None = None) -> Iterator[Scripted]:
    """A whole exchange: every step has to be sent, in order, and nothing else."""
    left = list(steps)

    def answer(line: bytes) -> Iterable[Answer]:
        assert left, f"nothing more was expected, but {line!r} was sent"
        now = left.pop(0)
        assert now.wants in (bare(line), line.decode("ascii")), (now.wants, line)
        return now.answers

    clock = FakeClock()
    port = FakePort(clock, answer)
    link = Link(port, dialect or load_dialect("numbered"), clock)
    yield Scripted(link, port, clock, left)
    assert not left, f"never sent: {[one.wants for one in left]}"


class FakeFirmware:
    """A small firmware of family ``A1``, ``A2``, ``A3`` or ``B``.

    Attributes:
        overrides: Called first with the bare text; a list of answers replaces the firmware's own,
            None leaves it alone.
        flow: Share of the commanded speed that motion really runs at (a clamp below 1).
    """

    def __init__(self, family: str = "A1", *, clock: FakeClock | None = None) -> None:
        self.family = family
        self.clock = clock or FakeClock()
        self.port = FakePort(self.clock, self.receive)
        self.overrides: Callable[[str], list[Answer] | None] = lambda _text: None
        self.last = 0
        self.target_c = 0.0
        self.temperature_c = 25.0
        self.heating_c_s = 4.0
        self._heated_s = self.clock.now()
        self.bed_target_c = 0.0
        self.current_ma = 800
        self.flow_percent, self.feed_percent, self.pressure = 95.0, 100.0, 0.05
        self.diameter_mm = 0.0
        self.relative = False
        self.e_mm = 0.0
        self.motion_end_s = -1.0
        self.speed_share = 1.0
        self.acceleration = 1000.0
        self.moves: list[tuple[float, float, float]] = []  # start, length, speed
        self.starved = 0
        self.halted = False
        self.cold_limit_c = 170.0
        self.longest_mm = 200.0 if family != "B" else 50.0
        self.slots = 16
        self.ready_s = -1.0  # when the firmware has worked off what it was sent
        self.parser = True

    # -- heater and motion

    def _warm(self) -> None:
        now = self.clock.now()
        rate = self.heating_c_s * (now - self._heated_s)
        goal = self.target_c if self.target_c > 0 else 25.0
        step_c = goal - self.temperature_c
        self.temperature_c += max(-rate / 2.0, min(rate, step_c))
        self._heated_s = now

    def power_cycle(self) -> None:
        """What a restart leaves: nothing."""
        self.last, self.target_c, self.current_ma = 0, 0.0, 800
        self.e_mm, self.relative, self.motion_end_s = 0.0, False, -1.0

    def report(self) -> bytes:
        self._warm()
        return b"T:%.2f /%.2f B:21.00 /0.00 @:12" % (self.temperature_c, self.target_c)

    def _extrude(self, words: dict[str, float]) -> bytes | None:
        length = words.get("E", 0.0) if self.relative else words.get("E", 0.0) - self.e_mm
        self._warm()
        if self.temperature_c < self.cold_limit_c:
            return b"echo: cold extrusion prevented\n"
        if length > self.longest_mm:
            return b"echo: too long extrusion prevented\n"
        speed = words["F"] / 60.0 * self.speed_share
        now = self.clock.now()
        if now >= self.motion_end_s:
            if self.e_mm > 3.0:  # not the first segment after the position was set
                self.starved += 1
            self.motion_end_s = now + 0.06 + speed / self.acceleration
        start = self.motion_end_s
        self.motion_end_s += length / speed
        self.moves.append((start, length, speed))
        self.e_mm += length
        ends = [start + length / speed for start, length, speed in self.moves]
        if self.family != "A2" and len(ends) > self.slots and ends[-self.slots - 1] > now:
            self.ready_s = ends[-self.slots - 1]  # the planner is full: the ok has to wait
        return None

    # -- lines

    def receive(self, line: bytes) -> list[Answer]:
        """Answers in the order of the lines, none before the line before it is worked off."""
        wait_s = max(0.0, self.ready_s - self.clock.now())
        timed = [a if isinstance(a, tuple) else (0.005, a) for a in self._receive(line)]
        return [(after_s + wait_s, what) for after_s, what in timed]

    def _receive(self, line: bytes) -> list[Answer]:
        text = bare(line)
        if self.halted:
            return []
        number: int | None = None
        if line.startswith(b"N") and self.family != "B":
            body, _, given = line.rpartition(b"*")
            number = int(re.match(rb"N(\d+)", line)[1])  # type: ignore[index]
            if text.startswith("M110"):
                self.last = number - 1
            if not given.isdigit() or checksum(body) != int(given):
                return self.complaint(b"checksum mismatch")
            if number != self.last + 1:
                if self.family == "A2" and number <= self.last:
                    return [b"ok duplicate line:%d\n" % number]
                return self.complaint(b"Line Number is not Last Line Number+1")
            self.last = number
        given_answers = self.overrides(text)
        if given_answers is not None:
            return given_answers
        return self._act(text, number)

    def complaint(self, why: bytes) -> list[Answer]:
        if self.family == "A2":
            wanted = (self.last + 1, self.last + 1)
            return [b"Error:expected line %d got 0\nResend:%d\nok\n" % wanted]
        return [b"Error:%s, Last Line: %d\nResend: %d\nok\n" % (why, self.last, self.last + 1)]

    def _ok(self, number: int | None, tail: bytes = b"") -> bytes:
        if self.family == "A2":
            head = b"ok %d" % (number or 0)
        elif self.family == "A3" and number is not None:
            head = b"ok N%d P15 B3" % number
        else:
            head = b"ok"
        return head + (b" " + tail if tail else b"") + b"\n"

    def _act(self, text: str, number: int | None) -> list[Answer]:
        words = {w[0]: float(w[1:]) for w in text.split()[1:] if re.fullmatch(r"[A-Z]-?[\d.]+", w)}
        verb = text.split()[0]
        ok = self._ok(number)
        body = b""
        match verb:
            case "M105":
                if self.family == "A2":
                    return [ok, self.report() + b"\n"]
                return [self._ok(number if self.family == "A3" else None, self.report())]
            case "M104":
                self._warm()
                self.target_c = words["S"]
            case "M140":
                self.bed_target_c = words["S"]
            case "M115":
                body = b"FIRMWARE_NAME:house 1.0 EXTRUDER_COUNT:1\n"
                if self.parser and self.family != "B":
                    body += b"Cap:EMERGENCY_PARSER:1\nCap:AUTOREPORT_TEMP:0\n"
            case "M503":
                body = self._settings()
            case "M906" | "MOTOR_CURRENT":
                if "E" in words:
                    self.current_ma = int(words["E"])
                elif found := re.search(r"AMPERES=([\d.]+)", text):
                    self.current_ma = round(float(found[1]) * 1000)
                elif self.family == "B":
                    body = b"// run current: %.3f\n" % (self.current_ma / 1000)
                else:
                    body = b"X driver current: 800\nE driver current: %d\n" % self.current_ma
            case "M221":
                if "S" in words:
                    self.flow_percent = words["S"]
                else:
                    body = b"echo:E0 Flow: %d%%\n" % self.flow_percent
            case "M220":
                if "S" in words:
                    self.feed_percent = words["S"]
                else:
                    body = b"FR:%d%%\n" % self.feed_percent
            case "M900":
                if "K" in words:
                    self.pressure = words["K"]
                else:
                    body = b"Advance K=%.2f\n" % self.pressure
            case "M200":
                self.diameter_mm = words.get("D", 0.0)
            case "M82" | "M83":
                self.relative = verb == "M83"
            case "M84" | "M85" | "M155" | "M110":
                pass
            case "G92":
                self.e_mm = words["E"]
            case "G1":
                refused = self._extrude(words)
                if refused and self.family == "B":
                    body = b"// Extrude below minimum temp\n!! Extrude below minimum temp\n"
                elif refused:
                    body = refused
            case "M400":
                left_s = max(0.0, self.motion_end_s - self.clock.now())
                if self.family == "A2":
                    return [ok]
                busy: list[Answer] = [
                    (2.0 * k, b"echo:busy: processing\n") for k in range(1, int(left_s / 2.0) + 1)
                ]
                return [*busy, (left_s + 0.01, ok)]
            case "M114":
                body = b"X:0.00 Y:0.00 Z:0.00 E:%.2f Count X:0 Y:0 Z:0\n" % self.e_mm
                if self.family == "A2":
                    left_s = max(0.0, self.motion_end_s - self.clock.now())
                    return [ok, (left_s + 0.01, body)]
            case "M112":
                self.halted, self.target_c = True, 0.0
                return [b"Error:Printer halted. kill() called!\n"]
            case "M410":
                self.motion_end_s = self.clock.now()
                return []
            case _:
                body = b'echo:Unknown command: "%s"\n' % text.encode()
        return [body + ok]

    def _settings(self) -> bytes:
        if self.family == "A1":
            top, head = 25.0, b"echo:; Maximum feedrates (units/s):\n"
        else:
            top, head = 1500.0, b"echo:Max feed rates (mm/min):\n"
        return (
            b"echo:  M92 X80.00 Y80.00 Z400.00 E424.83\n"
            + head
            + b"echo:  M203 X500.00 Y500.00 Z5.00 E%.2f\n" % top
            + b"echo:  M201 X1000.00 Y1000.00 Z100.00 E5000.00\n"
            + b"echo:  M204 P1250.00 R%.2f T1250.00\n" % self.acceleration
            + b"echo:  M205 B20000.00 S0.00 T0.00 X8.00 Y8.00 Z0.40 E1.50\n"
            + b"echo:  M200 S0 D%.2f\n" % self.diameter_mm
            + b"echo:  M900 K%.2f\n" % self.pressure
            + b"echo:  M906 X800 Y800 Z800\necho:  M906 T0 E%d\n" % self.current_ma
        )
