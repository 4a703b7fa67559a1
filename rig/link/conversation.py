"""A conversation with one line in flight.

`Link` sends a command, reads until its answer is complete, and never lets the answer of one command
pass for that of another:

- a line that was damaged goes out again; one whose ok was lost goes out again under the same
  number, which the firmware takes at most once (`rig.link.course`);
- one deadline is spent across all reads of an exchange; "busy" moves it on, up to a bound;
- after a time-out the link is out of step: before the next command it listens until all is quiet,
  restarts the numbering and asks something whose answer cannot be mistaken for the missing one;
- a boot banner, a line counter gone back to zero or a halted firmware raises at the next byte;
- silence raises, and so does half a line.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Protocol, Unpack

from rig.clock import Clock
from rig.errors import (
    FirmwareHaltedError,
    FirmwareResetError,
    LinkError,
    LinkLostError,
    ReplyTimeoutError,
)
from rig.link import events as ev
from rig.link.course import SETTLE_S, Course, Habits, Options
from rig.link.dialect import Dialect
from rig.link.exchange import Notice, Pending, Reply

#: Wait of a blocking exchange for one byte, in s.
_QUANTUM_S = 0.05
#: Quiet that is listened for when the link is out of step, in s.
_RESYNC_QUIET_S = 0.25
_RESYNC_TRIES = 2


class Port(Protocol):
    """What the link needs of a port; see `rig.link.transport.SerialPort`."""

    name: str
    baud: int

    def read_some(self, wait_s: float = 0.0) -> bytes: ...

    def write(self, data: bytes) -> None: ...

    def close(self) -> None: ...


class Link:
    """A conversation over one port in one dialect.

    Attributes:
        port: The port under it.
        dialect, clock: The language and the time base.
        garbage_bytes: Number of received bytes that were no text.
        last_byte_s: Clock time of the last received byte, in s.
        on_wait: Called again and again during blocking exchanges (for interlocks and the view).
    """

    def __init__(self, port: Port, dialect: Dialect, clock: Clock) -> None:
        self.port = port
        self.dialect = dialect
        self.clock = clock
        self.garbage_bytes = 0
        self.last_byte_s = clock.now()
        self.on_wait: Callable[[], None] | None = None
        self._course = Course(port.name, dialect)
        self._lenient = False

    # -- state ----------------------------------------------------------------------------------

    @property
    def pending(self) -> Pending | None:
        """The exchange under way, or None."""
        return self._course.pending

    @property
    def habits(self) -> Habits:
        """What was learnt of the firmware by its behaviour."""
        return self._course.habits

    @property
    def halted(self) -> str | None:
        """What the firmware said when it stopped itself, or None."""
        return self._course.halted

    @property
    def restarted(self) -> str | None:
        """What showed that the firmware has restarted, or None."""
        return self._course.restarted

    def take_boot(self) -> bool:
        """Whether a boot banner came since the last call."""
        booted, self._course.booted = self._course.booted, False
        return booted

    def hear_temperatures(self, listener: Callable[[ev.Temperature, float], None]) -> None:
        """Have every temperature report, and its clock time, given to ``listener``."""
        self._course.on_temperature = listener

    def take_notices(self) -> list[Notice]:
        """Everything remarkable since the last call, oldest first."""
        taken = list(self._course.notices)
        self._course.notices.clear()
        return taken

    # -- exchanges ------------------------------------------------------------------------------

    def begin(self, text: str, **options: Unpack[Options]) -> Pending:
        """Send a command without waiting; `pump` until the returned exchange is done.

        Args:
            text: The command, without number and checksum.
            options: See `rig.link.course.Options`.

        Raises:
            FirmwareResetError, FirmwareHaltedError, LinkLostError, ReplyTimeoutError: As found out
                on the way; a link that is out of step is first brought back, which may block.
        """
        if self._course.pending is not None:  # a move's, perhaps: it will find its answer there
            self.wait_for(self._course.pending)
        self.pump(0.0)  # whatever came unasked must not answer this command
        if self._course.out_of_step:
            self.resync()
        return self._start(text, options)

    def command(self, text: str, **options: Unpack[Options]) -> Reply:
        """Send a command and wait for its answer. Arguments and errors as for `begin`."""
        return self.wait_for(self.begin(text, **options))

    def wait_for(self, pending: Pending) -> Reply:
        """Pump until ``pending`` is done. An error or an interrupt gives the exchange up."""
        try:
            while pending.reply is None:
                self.pump(_QUANTUM_S)
                if self.on_wait is not None and pending.reply is None:
                    self.on_wait()
        except BaseException:
            self._course.abandon()
            raise
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
            data = self.port.read_some(wait_s)
        except LinkLostError as error:
            raise self._with_context(error) from error
        now = self.clock.now()
        if data:
            self.last_byte_s = now
            self.garbage_bytes += sum(byte >= 0x80 for byte in data)
            self._course.receive(data, now)
        if not self._lenient:
            self._raise_trouble()
        self._course.tick(now, self.last_byte_s)
        self._flush()

    def send_bare(self, text: str) -> None:
        """Send one line without number and without waiting for an answer (emergency verbs).

        The line counter does not advance. A line that may have been cut is ended first.
        """
        self._course.abandon()
        self.port.write(b"\n" + text.encode("ascii") + b"\n")

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

    def insist(self, text: str, **options: Unpack[Options]) -> Reply | None:
        """Send a command whatever state the conversation is in; the safe state uses it.

        Whatever was under way is given up; the line goes bare; a halted or restarted firmware does
        not raise. Returns None where no good answer came in time.

        Raises:
            LinkLostError: The port is gone.
        """
        course = self._course
        course.abandon()
        halted_before, course.halted = course.halted, None
        self._lenient = True
        try:
            self.pump(0.0)
            course.halted = None  # what was said before this command is no answer to it
            self.end_line()  # an interrupt may have cut a line
            options["bare"] = True
            options.setdefault("timeout_s", 3.0)
            options.setdefault("busy_s", options["timeout_s"])
            reply = self.wait_for(self._start(text, options))
            good = reply.good and course.halted is None
        except ReplyTimeoutError:
            return None
        finally:
            self._lenient = False
            course.abandon()
            course.halted = course.halted or halted_before
        return reply if good else None

    # -- getting in step ------------------------------------------------------------------------

    def listen_for_boot(self, *, quiet_s: float, first_s: float, at_most_s: float) -> None:
        """Read until ``quiet_s`` s without a byte; boot banners are expected here.

        Args:
            quiet_s: Quiet that ends the wait, in s.
            first_s: Quiet that ends it where nothing has come at all: a board that restarts on
                opening is silent for longer than ``quiet_s`` before its banner.
            at_most_s: Longest wait altogether.
        """
        course = self._course
        course.abandon()
        course.out_of_step = False
        course.halted = course.restarted = None
        course.expecting_boot = True
        try:
            start_s = self.clock.now()
            heard = False
            while self.clock.now() < start_s + at_most_s:
                before_s = self.last_byte_s
                self.pump(_QUANTUM_S)
                heard = heard or self.last_byte_s != before_s
                silent_s = self.clock.now() - (self.last_byte_s if heard else start_s)
                if silent_s >= (quiet_s if heard else first_s):
                    break
        finally:
            course.expecting_boot = False
        course.assembler.drop_partial()

    def restart_numbers(self, *, timeout_s: float = 3.0) -> None:
        """Set the firmware's line counter to zero (nothing to do in a dialect without numbers)."""
        if self.dialect.numbered:
            pending = self._course.restart_numbers(self.clock.now(), {"timeout_s": timeout_s})
            self._flush()
            self.wait_for(pending)

    def end_line(self) -> None:
        """Send an empty line, so that half a line left in the firmware does no harm."""
        self.port.write(b"\n")

    def quiet(self, duration_s: float, *, at_most_s: float) -> None:
        """Read and drop until nothing has come for ``duration_s`` s."""
        self._course.pending = None
        start_s = since_s = self.clock.now()
        while self.clock.now() - since_s < duration_s and self.clock.now() - start_s < at_most_s:
            before_s = self.last_byte_s
            self.pump(min(_QUANTUM_S, duration_s))
            if self.last_byte_s != before_s:
                since_s = self.last_byte_s

    def resync(self) -> None:
        """Get in step again after a cut or missing answer.

        The firmware works its lines off in order. So once a question that was asked *after* the
        quiet, of another kind than the one left open, has got its own body, nothing older can come.

        Raises:
            ReplyTimeoutError: The firmware stays silent.
        """
        course = self._course
        open_command = course.last_command
        course.abandon()
        failure: LinkError | None = None
        for _ in range(_RESYNC_TRIES):
            try:
                self.quiet(_RESYNC_QUIET_S, at_most_s=2.0)
                course.assembler.drop_partial()
                self.end_line()
                self.restart_numbers()
                self._probe(open_command)
                self.quiet(SETTLE_S, at_most_s=1.0)
            except ReplyTimeoutError as error:
                failure = error
                continue
            course.out_of_step = False
            return
        course.out_of_step = True
        raise ReplyTimeoutError(
            f"{self.port.name}: no way back into step after {open_command!r}: {failure}"
        ) from failure

    def reopened(self, port: Port) -> None:
        """Go on with another port object for the same printer, remembering nothing of before."""
        self.port = port
        course = self._course
        course.abandon()
        course.assembler.clear()
        course.halted = course.restarted = None

    def accept_restart(self) -> None:
        """Go on with a board that has restarted (to put it in order, never to resume motion)."""
        self._course.restarted = None
        self._course.abandon()

    def close(self) -> None:
        """Close the port. Safe to call again."""
        self._course.pending = None
        self.port.close()

    # -- inside ---------------------------------------------------------------------------------

    def _start(self, text: str, options: Options) -> Pending:
        pending = self._course.start(text, self.clock.now(), options)
        self._flush()
        return pending

    def _flush(self) -> None:
        """Write what the course wants sent."""
        for raw in self._course.outgoing():
            try:
                self.port.write(raw + b"\n")
            except LinkLostError as error:
                raise self._with_context(error) from error
            except BaseException:
                self._course.abandon()  # the line may have been cut
                raise

    def _probe(self, open_command: str) -> None:
        """Ask something that cannot be mistaken for what was left open."""
        position = self.dialect.line("position")
        options: Options = {"body_grace_s": None, "repeat_after_s": None}
        if open_command == position:
            options["want_temperature"] = True
            text = self.dialect.line("temperature")
        else:
            options["want"] = self.dialect.replies["position"][0]
            text = position
        self.wait_for(self._start(text, options))

    def _with_context(self, error: LinkLostError) -> LinkLostError:
        """The loss of the port, with the last command and what was cut."""
        command = self._course.last_command
        half = self._course.assembler.drop_partial().decode("ascii", "replace")
        last = f"; last command: {command!r}" if command else ""
        cut = f"; in the middle of {half!r}" if half else ""
        self._course.abandon()
        return LinkLostError(f"{error}{last}{cut}")

    def _raise_trouble(self) -> None:
        course = self._course
        if course.halted is not None:
            course.abandon()
            raise FirmwareHaltedError(
                f"the firmware has stopped itself: {course.halted!r}; it obeys nothing until it is "
                "reset: see that the hot end cools, find the cause, switch the printer off and on"
            )
        if course.restarted is not None and not course.expecting_boot:
            course.abandon()
            raise FirmwareResetError(
                f"the board has restarted by itself ({course.restarted}): every run-time setting "
                "is gone; check its supply and its temperature before going on"
            )
