"""A conversation with one line in flight.

`Link` sends a command, reads until its answer is complete, and never lets the answer of one command
pass for that of another:

- a line that was damaged goes out again; one whose ok was lost goes out again under the same
  number, which the firmware takes at most once;
- one deadline is spent across all reads of an exchange; "busy" moves it on, up to a bound;
- after a time-out the link is out of step: before the next command it listens until all is quiet,
  restarts the numbering and asks something whose answer cannot be mistaken for the missing one;
- a boot banner, a line counter gone back to zero or a halted firmware raises at the next byte;
- silence raises, and so does half a line.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from rig.clock import Clock
from rig.errors import (
    FirmwareHaltedError,
    FirmwareResetError,
    LinkError,
    LinkLostError,
    ReplyTimeoutError,
)
from rig.link import events as ev
from rig.link.dialect import Dialect
from rig.link.exchange import Notice, Pending, Phase, Reply
from rig.link.lines import LineAssembler, classify
from rig.link.numbering import Answer, Numbering

#: Wait of a blocking exchange for one byte, in s.
_QUANTUM_S = 0.05
#: Quiet after a complaint before a line goes out again: the rest of the complaint passes first.
_SETTLE_S = 0.1
#: Longest wait for that quiet.
_SETTLE_LIMIT_S = 1.0
#: An idle remark this long after a line went out means that the line or its ok was lost.
_IDLE_AFTER_S = 0.5
#: Silence after which a numbered line goes out again; longer than the usual 2 s between two "busy".
_REPEAT_AFTER_S = 3.0
#: How often one line goes out because the firmware asked.
_MOST_ATTEMPTS = 6
_MOST_SILENT_REPEATS = 2


class Port(Protocol):
    """What the link needs of a port; see `rig.link.transport.SerialPort`."""

    name: str
    baud: int

    def read_some(self, wait_s: float = 0.0) -> bytes: ...

    def write(self, data: bytes) -> None: ...

    def close(self) -> None: ...


@dataclass(slots=True)
class Habits:
    """What was learnt of the firmware by its behaviour.

    Attributes:
        numbers_in_ok: Whether its ok carries the number of the line.
        waits_when_idle: Whether it says so when it has nothing to do.
        sends_busy: Whether it says so when a command takes long.
    """

    numbers_in_ok: bool = False
    waits_when_idle: bool = False
    sends_busy: bool = False


class Link:
    """A conversation over one port in one dialect.

    Attributes:
        habits: What was learnt of the firmware by its behaviour.
        booted: Whether a boot banner came since `listen_for_boot` began.
        garbage_bytes: Number of received bytes that were no text.
        last_byte_s: Clock time of the last received byte, in s.
        on_temperature: Called with every temperature report and its clock time.
        on_wait: Called again and again during blocking exchanges (for interlocks and the view).
    """

    def __init__(self, port: Port, dialect: Dialect, clock: Clock) -> None:
        self.dialect = dialect
        self.clock = clock
        self.habits = Habits()
        self.booted = False
        self.garbage_bytes = 0
        self.last_byte_s = clock.now()
        self.on_temperature: Callable[[ev.Temperature, float], None] | None = None
        self.on_wait: Callable[[], None] | None = None
        self._port = port
        self._assembler = LineAssembler()
        self._numbering = Numbering()
        self._numbered = dialect.numbered
        self._pending: Pending | None = None
        self._notices: deque[Notice] = deque(maxlen=500)
        self._halted: str | None = None
        self._restarted: str | None = None
        self._expecting_boot = False
        self._lenient = False
        self._out_of_step = False
        self._last_command = ""
        self._last_error_number: int | None = None

    # -- state ----------------------------------------------------------------------------------

    @property
    def port(self) -> Port:
        """The port under the conversation."""
        return self._port

    @property
    def port_name(self) -> str:
        """The port as it was asked for."""
        return self._port.name

    @property
    def baud(self) -> int:
        """Rate of the port, in bits per second."""
        return self._port.baud

    @property
    def pending(self) -> Pending | None:
        """The exchange under way, or None."""
        return self._pending

    @property
    def halted(self) -> str | None:
        """What the firmware said when it stopped itself, or None."""
        return self._halted

    @property
    def restarted(self) -> str | None:
        """What showed that the firmware has restarted, or None."""
        return self._restarted

    def take_notices(self) -> list[Notice]:
        """Everything remarkable since the last call, oldest first."""
        taken = list(self._notices)
        self._notices.clear()
        return taken

    # -- exchanges ------------------------------------------------------------------------------

    def begin(
        self,
        text: str,
        *,
        timeout_s: float | None = None,
        want: re.Pattern[str] | None = None,
        want_temperature: bool = False,
        body_grace_s: float | None = 1.0,
        busy_s: float | None = None,
        repeat_after_s: float | None = _REPEAT_AFTER_S,
        bare: bool = False,
    ) -> Pending:
        """Send a command without waiting; `pump` until the returned exchange is done.

        Args:
            text: The command, without number and checksum.
            timeout_s: Deadline of the whole exchange; the dialect's ordinary one by default.
            want: Pattern that a line of the answer must have.
            want_temperature: Whether a temperature report is what is asked for.
            body_grace_s: How long a body may follow its ok; None for until the deadline.
            busy_s: Longest that "busy" may stretch the exchange, from its start.
            repeat_after_s: Silence after which a numbered line is sent again; None for never.
            bare: Send without number and checksum.

        Raises:
            FirmwareResetError, FirmwareHaltedError, LinkLostError, ReplyTimeoutError: As found out
                on the way; a link that is out of step is first brought back, which may block.
        """
        if self._pending is not None and not self._pending.done:
            raise RuntimeError(f"{text!r} while {self._pending.command!r} is still under way")
        self._pending = None
        self.pump(0.0)  # whatever came unasked must not answer this command
        if self._out_of_step:
            self.resync()
        return self._send(
            text,
            timeout_s=self.dialect.reply_s if timeout_s is None else timeout_s,
            want=want,
            want_temperature=want_temperature,
            body_grace_s=body_grace_s,
            busy_s=self.dialect.busy_s if busy_s is None else busy_s,
            repeat_after_s=repeat_after_s,
            bare=bare,
        )

    def command(
        self,
        text: str,
        *,
        timeout_s: float | None = None,
        want: re.Pattern[str] | None = None,
        want_temperature: bool = False,
        body_grace_s: float | None = 1.0,
        busy_s: float | None = None,
        repeat_after_s: float | None = _REPEAT_AFTER_S,
        bare: bool = False,
    ) -> Reply:
        """Send a command and wait for its answer. Arguments and errors as for `begin`."""
        pending = self.begin(
            text,
            timeout_s=timeout_s,
            want=want,
            want_temperature=want_temperature,
            body_grace_s=body_grace_s,
            busy_s=busy_s,
            repeat_after_s=repeat_after_s,
            bare=bare,
        )
        return self.wait_for(pending)

    def wait_for(self, pending: Pending) -> Reply:
        """Pump until ``pending`` is done."""
        try:
            while not pending.done:
                self.pump(_QUANTUM_S)
                if self.on_wait is not None and not pending.done:
                    self.on_wait()
        except BaseException:
            self._abandon()  # an interrupt in the middle: its answer must not serve the next
            raise
        assert pending.reply is not None
        return pending.reply

    def pump(self, wait_s: float = 0.0) -> None:
        """Read what has come, waiting at most ``wait_s`` s for the first byte, and act on it.

        Raises:
            FirmwareResetError: A boot banner came, or the line counter went back to zero.
            FirmwareHaltedError: The firmware stopped itself.
            ReplyTimeoutError: The deadline of the exchange under way has passed.
            LinkLostError: The port is gone.
            LinkError: A line could not be brought across.
        """
        try:
            data = self._port.read_some(wait_s)
        except LinkLostError as error:
            raise self._with_context(error) from error
        now = self.clock.now()
        if data:
            self.last_byte_s = now
            self.garbage_bytes += sum(byte >= 0x80 for byte in data)
            for line in self._assembler.feed(data):
                for event in classify(line, self.dialect):
                    self._take(event, now)
        if not self._lenient:
            self._raise_trouble()
        if self._pending is not None:
            self._keep_time(self._pending, now)

    def send_bare(self, text: str) -> None:
        """Send one line without number and without waiting for an answer (emergency verbs).

        The line counter does not advance. A line that may have been cut is ended first.
        """
        self._pending = None
        self._out_of_step = True
        self._port.write(b"\n" + text.encode("ascii") + b"\n")

    def listen(self, duration_s: float) -> None:
        """Read for a while whatever state the conversation is in; nothing heard raises.

        Raises:
            LinkLostError: The port is gone.
        """
        self._lenient = True
        try:
            end_s = self.clock.now() + duration_s
            while self.clock.now() < end_s:
                self.pump(_QUANTUM_S)
        finally:
            self._lenient = False

    def insist(
        self, text: str, *, timeout_s: float = 3.0, want_temperature: bool = False
    ) -> Reply | None:
        """Send a command whatever state the conversation is in; the safe state uses it.

        Whatever was under way is given up; the line goes bare; a halted or restarted firmware does
        not raise. Returns None where no good answer came in time.

        Raises:
            LinkLostError: The port is gone.
        """
        self._abandon()
        self._lenient = True
        halted = self._halted
        self._halted = None
        try:
            self.pump(0.0)
            self._port.write(b"\n")  # ends a line that an interrupt may have cut
            pending = self._send(
                text,
                timeout_s=timeout_s,
                want=None,
                want_temperature=want_temperature,
                body_grace_s=1.0,
                busy_s=timeout_s,
                repeat_after_s=None,
                bare=True,
            )
            reply = self.wait_for(pending)
        except ReplyTimeoutError:
            return None
        finally:
            self._lenient = False
            self._abandon()
            refused_by_halt = self._halted is not None
            self._halted = self._halted or halted
        return reply if reply.good and not refused_by_halt else None

    # -- getting in step ------------------------------------------------------------------------

    def listen_for_boot(self, *, quiet_s: float, first_s: float, at_most_s: float) -> None:
        """Read until ``quiet_s`` s without a byte; boot banners are expected here.

        Args:
            quiet_s: Quiet that ends the wait, in s.
            first_s: Quiet that ends it where nothing has come at all: a board that restarts on
                opening is silent for longer than ``quiet_s`` before its banner.
            at_most_s: Longest wait altogether.
        """
        self._abandon()
        self._out_of_step = False
        self._halted = self._restarted = None
        self._expecting_boot = True
        try:
            start = self.clock.now()
            heard_s: float | None = None
            while (now := self.clock.now()) < start + at_most_s:
                before = self.last_byte_s
                self.pump(_QUANTUM_S)
                if self.last_byte_s != before:
                    heard_s = self.last_byte_s
                if heard_s is None and now - start >= first_s:
                    break
                if heard_s is not None and now - heard_s >= quiet_s:
                    break
        finally:
            self._expecting_boot = False
        self._assembler.drop_partial()

    def restart_numbers(self, *, timeout_s: float = 3.0) -> None:
        """Set the firmware's line counter to zero (nothing to do in a dialect without numbers)."""
        if not self._numbered:
            return
        self._pending = None
        raw = self._numbering.restart()
        self._last_command = "M110"
        pending = self._transmit_new(
            "M110", None, raw, timeout_s=timeout_s, busy_s=self.dialect.busy_s
        )
        self.wait_for(pending)

    def end_line(self) -> None:
        """Send an empty line, so that half a line left in the firmware does no harm."""
        self._port.write(b"\n")

    def quiet(self, duration_s: float, *, at_most_s: float) -> None:
        """Read and drop until nothing has come for ``duration_s`` s."""
        self._pending = None
        start = self.clock.now()
        since = start
        while self.clock.now() - since < duration_s and self.clock.now() - start < at_most_s:
            before = self.last_byte_s
            self.pump(min(_QUANTUM_S, duration_s))
            if self.last_byte_s != before:
                since = self.last_byte_s

    def resync(self) -> None:
        """Get in step again after a cut or missing answer.

        The firmware works its lines off in order. So once a question that was asked *after* the
        quiet, of another kind than the one left open, has got its own body, nothing older can come.

        Raises:
            ReplyTimeoutError: The firmware stays silent.
        """
        open_command = self._last_command
        self._abandon()
        failure: LinkError | None = None
        for _ in range(2):
            try:
                self.quiet(0.25, at_most_s=2.0)
                self._assembler.drop_partial()
                self.end_line()
                self.restart_numbers()
                self._probe(open_command)
                self.quiet(_SETTLE_S, at_most_s=1.0)
            except ReplyTimeoutError as error:
                failure = error
                continue
            self._out_of_step = False
            return
        self._out_of_step = True
        raise ReplyTimeoutError(
            f"{self._port.name}: no way back into step after {open_command!r}: {failure}"
        ) from failure

    def reopened(self, port: Port) -> None:
        """Go on with another port object for the same printer, remembering nothing of before."""
        self._port = port
        self._abandon()
        self._assembler.clear()
        self._halted = self._restarted = None
        self._out_of_step = True

    def accept_restart(self) -> None:
        """Go on with a board that has restarted (to put it in order, never to resume motion)."""
        self._restarted = None
        self._abandon()

    def close(self) -> None:
        """Close the port. Safe to call again."""
        self._pending = None
        self._port.close()

    # -- inside ---------------------------------------------------------------------------------

    def _probe(self, open_command: str) -> None:
        position = self.dialect.line("position")
        ask_temperature = open_command == position
        pending = self._send(
            self.dialect.line("temperature") if ask_temperature else position,
            timeout_s=self.dialect.reply_s,
            want=None if ask_temperature else self.dialect.replies["position"][0],
            want_temperature=ask_temperature,
            body_grace_s=None,
            busy_s=self.dialect.busy_s,
            repeat_after_s=None,
            bare=False,
        )
        self.wait_for(pending)

    def _send(
        self,
        text: str,
        *,
        timeout_s: float,
        want: re.Pattern[str] | None,
        want_temperature: bool,
        body_grace_s: float | None,
        busy_s: float,
        repeat_after_s: float | None,
        bare: bool,
    ) -> Pending:
        numbered = self._numbered and not bare
        raw = self._numbering.add(text) if numbered else text.encode("ascii")
        number = self._numbering.newest if numbered else None
        self._last_command = text
        return self._transmit_new(
            text,
            number,
            raw,
            timeout_s=timeout_s,
            busy_s=busy_s,
            want=want,
            want_temperature=want_temperature,
            body_grace_s=body_grace_s,
            repeat_after_s=repeat_after_s,
        )

    def _transmit_new(
        self,
        text: str,
        number: int | None,
        raw: bytes,
        *,
        timeout_s: float,
        busy_s: float,
        want: re.Pattern[str] | None = None,
        want_temperature: bool = False,
        body_grace_s: float | None = 1.0,
        repeat_after_s: float | None = None,
    ) -> Pending:
        now = self.clock.now()
        pending = Pending(
            command=text,
            number=number,
            raw=raw,
            timeout_s=timeout_s,
            sent_s=now,
            end_s=now + timeout_s,
            hard_end_s=now + max(timeout_s, busy_s),
            want=want,
            want_temperature=want_temperature,
            body_grace_s=body_grace_s,
            repeat_after_s=repeat_after_s if number is not None else None,
            cursor=number or 0,
            transmitted_s=now,
            alive_s=now,
        )
        self._pending = pending
        self._last_error_number = None
        try:
            self._write(raw)
        except BaseException:
            self._abandon()  # the line may have been cut
            raise
        return pending

    def _write(self, raw: bytes) -> None:
        try:
            self._port.write(raw + b"\n")
        except LinkLostError as error:
            raise self._with_context(error) from error

    def _with_context(self, error: LinkLostError) -> LinkLostError:
        last = f"; last command: {self._last_command!r}" if self._last_command else ""
        half = self._assembler.drop_partial()
        cut = f"; in the middle of {half.decode('ascii', 'replace')!r}" if half else ""
        return LinkLostError(f"{error}{last}{cut}")

    def _abandon(self) -> None:
        self._pending = None
        self._out_of_step = True
        self._assembler.drop_partial()

    def _note(self, kind: str, text: str, now: float) -> None:
        self._notices.append(Notice(kind, text, now))

    def _raise_trouble(self) -> None:
        if self._halted is not None:
            self._pending = None
            raise FirmwareHaltedError(
                f"the firmware has stopped itself: {self._halted!r}; it obeys nothing until it is "
                "reset: see that the hot end cools, find the cause, switch the printer off and on"
            )
        if self._restarted is not None and not self._expecting_boot:
            self._pending = None
            self._out_of_step = True
            raise FirmwareResetError(
                f"the board has restarted by itself ({self._restarted}): every run-time setting is "
                "gone; check its supply and its temperature before going on"
            )

    def _take(self, event: ev.Event, now: float) -> None:
        """Act on one event."""
        pending = self._pending
        match event:
            case ev.Ok():
                self._take_ok(event, now)
            case ev.Busy(text):
                self.habits.sends_busy = True
                if pending is not None:
                    pending.busy_text = text
                    pending.alive_s = now
                    pending.end_s = min(
                        pending.hard_end_s, max(pending.end_s, now + pending.timeout_s)
                    )
            case ev.Idle():
                self.habits.waits_when_idle = True
                if pending is not None:
                    self._take_idle(pending, now)
            case ev.Resend(number):
                self._take_resend(number, now)
            case ev.AlreadyHad(number):
                if pending is not None and number == pending.number:
                    self._acknowledge(pending, now)
                    pending.closing = True
            case ev.TransferError(text, last_number):
                self._last_error_number = last_number
                self._note("resent", text, now)
            case ev.Temperature():
                if pending is not None:
                    pending.temperature = event
                    if pending.want_temperature and pending.body_s is None:
                        pending.body_s = now
                if self.on_temperature is not None:
                    self.on_temperature(event, now)
            case ev.Text(text) | ev.Note(text):
                if pending is not None:
                    pending.look_at(text, now)
                else:
                    self._note("remark", text, now)
            case ev.Unknown(text):
                if pending is not None:
                    pending.unknown = True
                    pending.look_at(text, now)
            case ev.Refused(_, text):
                if pending is not None:
                    pending.refusals.append(event)
                self._note("refused", text, now)
            case ev.Failure(text):
                if pending is not None:
                    pending.failures.append(text)
                self._note("failure", text, now)
            case ev.SteppedDown(text):
                self._note("stepped-down", text, now)
            case ev.Halted(text):
                self._halted = self._halted or text
            case ev.Restarted(text):
                self.booted = True
                if not self._expecting_boot:
                    self._restarted = self._restarted or f"it said {text!r}"
            case ev.Garbage(count):
                self._note("garbage", f"{count} bytes that are no text", now)

    def _take_ok(self, event: ev.Ok, now: float) -> None:
        pending = self._pending
        if pending is None or pending.done:
            self._note("surplus-ok", event.tail, now)
            return
        ours = pending.number
        if event.number is not None and ours is not None:
            if event.number == ours:
                self.habits.numbers_in_ok = True
                self._numbering.settled(ours)
            elif (
                0 < event.number < ours
                and (self.habits.numbers_in_ok or event.duplicate)
                and pending.phase is not Phase.REWINDING
            ):
                self._note("stale-ok", event.tail, now)
                return
        surely_ours = event.number is not None and event.number == ours
        if pending.phase is Phase.SETTLING and not surely_ours:
            return  # the last third of the complaint
        if pending.phase is Phase.REWINDING and not surely_ours:
            pending.cursor += 1
            self._transmit(pending, now)
            return
        pending.phase = Phase.WAITING
        if event.tail:
            pending.look_at(event.tail, now)
        if pending.acknowledged and not pending.closing:
            self._note("surplus-ok", event.tail, now)
        pending.closing = False
        self._acknowledge(pending, now)

    def _acknowledge(self, pending: Pending, now: float) -> None:
        if not pending.acknowledged:
            pending.acknowledged = True
            pending.acknowledged_s = now

    def _take_idle(self, pending: Pending, now: float) -> None:
        """An idle firmware owes no ok: the line or its ok was lost."""
        if pending.acknowledged or pending.phase is not Phase.WAITING:
            return
        if now - pending.transmitted_s < _IDLE_AFTER_S:
            return  # it may have been written before our line arrived
        if pending.number is None:
            self._note("no-ok", pending.command, now)
            self._acknowledge(pending, now)
        elif pending.silent_repeats < _MOST_SILENT_REPEATS + 2:
            self._repeat(pending, now)

    def _take_resend(self, number: int, now: float) -> None:
        pending = self._pending
        last_number, self._last_error_number = self._last_error_number, None
        if pending is None or pending.done:
            return
        if pending.phase is Phase.SETTLING and number == pending.asked:
            return  # the same complaint again: answered once
        if pending.number is None:
            pending.cursor = 0
        else:
            request = self._numbering.request(number, last_number=last_number)
            if request.answer is Answer.RESTARTED:
                self._restarted = "its line counter is back at zero"
                return
            if request.answer is Answer.ACCEPTED:
                pending.phase = Phase.WAITING
                self._acknowledge(pending, now)
                pending.closing = True
                return
            pending.cursor = request.first if request.answer is Answer.SEND else pending.number
        pending.asked = number
        pending.phase = Phase.SETTLING
        pending.settle_end_s = now + _SETTLE_LIMIT_S

    def _transmit(self, pending: Pending, now: float) -> None:
        """Send the line under the cursor."""
        if pending.number is None:
            raw = pending.raw
        else:
            raw = self._numbering.line(pending.cursor)
        at_end = pending.number is None or pending.cursor >= pending.number
        pending.phase = Phase.WAITING if at_end else Phase.REWINDING
        pending.transmitted_s = pending.alive_s = now
        self._write(raw)

    def _repeat(self, pending: Pending, now: float) -> None:
        pending.silent_repeats += 1
        if self._assembler.partial:
            half = self._assembler.drop_partial()
            self._note("half-line", half.decode("ascii", "replace"), now)
        self._note("repeated", pending.command, now)
        self._transmit(pending, now)

    def _keep_time(self, pending: Pending, now: float) -> None:
        """Everything that happens because time has passed."""
        quiet_s = now - max(self.last_byte_s, pending.transmitted_s)
        if pending.phase is Phase.SETTLING:
            if quiet_s >= _SETTLE_S or now >= pending.settle_end_s:
                pending.attempts += 1
                if pending.attempts > _MOST_ATTEMPTS:
                    self._pending = None
                    self._out_of_step = True
                    raise LinkError(
                        f"{self._port.name}: {pending.command!r} was sent {_MOST_ATTEMPTS} times "
                        "and never arrived whole: check the cable and keep it away from the motor "
                        "and heater wires"
                    )
                self._transmit(pending, now)
        elif pending.acknowledged:
            if pending.closing and quiet_s < _SETTLE_S:
                return  # the ok of the complaint may still be on its way
            no_body = pending.wants_body and pending.body_s is None
            grace = pending.body_grace_s
            given_up = pending.unknown or (
                grace is not None and now - pending.acknowledged_s >= grace
            )
            if not no_body or given_up:
                pending.finish(now)
                self._pending = None
                return
        elif (
            pending.repeat_after_s is not None
            and now - pending.alive_s >= pending.repeat_after_s
            and pending.silent_repeats < _MOST_SILENT_REPEATS
        ):
            self._repeat(pending, now)
        if now >= pending.end_s:
            self._give_up(pending, now)

    def _give_up(self, pending: Pending, now: float) -> None:
        half = self._assembler.drop_partial()
        if pending.number is None and pending.body_s is not None and not half:
            # A whole body without its ok, and no numbers to ask again under: take it.
            self._note("no-ok", pending.command, now)
            self._acknowledge(pending, now)
            pending.finish(now)
            self._pending = None
            return
        self._pending = None
        self._out_of_step = True
        waited = now - pending.sent_s
        what = (
            f"only half a line came, {half.decode('ascii', 'replace')!r}"
            if half
            else f"the printer only said {pending.busy_text!r}"
            if pending.busy_text
            else "its ok came, but not the answer"
            if pending.acknowledged
            else "no answer"
        )
        raise ReplyTimeoutError(
            f"{self._port.name}: {what} to {pending.command!r} within {waited:.1f} s"
        )
