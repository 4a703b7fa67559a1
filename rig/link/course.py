"""The course of one line in flight. Pure: bytes and times in, lines to send out; no port, no clock.

`Course` numbers a line, takes whatever comes back, sends again what was damaged or whose ok was
lost, and says when the exchange is over or has to be given up. `rig.link.conversation.Link` carries
its bytes.
"""

from __future__ import annotations

import re
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import TypedDict

from rig.errors import LinkError, ReplyTimeoutError
from rig.link import events as ev
from rig.link.dialect import Dialect
from rig.link.exchange import Notice, Pending, Phase
from rig.link.lines import LineAssembler, classify
from rig.link.numbering import Answer, Numbering

#: Quiet after a complaint before a line goes out again: the rest of the complaint passes first.
SETTLE_S = 0.1
#: Longest wait for that quiet.
_SETTLE_LIMIT_S = 1.0
#: An idle remark this long after a line went out means that the line or its ok was lost.
_IDLE_AFTER_S = 0.5
#: Silence after which a numbered line goes out again; longer than the usual 2 s between two "busy".
_REPEAT_AFTER_S = 3.0
#: How often one line goes out because the firmware asked.
_MOST_ATTEMPTS = 6
_MOST_SILENT_REPEATS = 2
_BODY_GRACE_S = 1.0


class Options(TypedDict, total=False):
    """How an exchange is to go; every key has a default.

    Attributes:
        timeout_s: Deadline of the whole exchange; the dialect's ordinary one by default.
        want: Pattern that a line of the answer must have.
        want_temperature: Whether a temperature report is what is asked for.
        body_grace_s: How long a body may follow its ok, 1 s by default; None for until the
            deadline.
        busy_s: Longest that "busy" may stretch the exchange, from its start.
        repeat_after_s: Silence after which a numbered line is sent again; None for never.
        bare: Send without number and checksum.
    """

    timeout_s: float
    want: re.Pattern[str] | None
    want_temperature: bool
    body_grace_s: float | None
    busy_s: float
    repeat_after_s: float | None
    bare: bool


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


class Course:
    """One line in flight and everything that may come back.

    Attributes:
        pending: The exchange under way, or None.
        out_of_step: Whether an answer may still be on its way that nobody waits for.
        halted: What the firmware said when it stopped itself, or None.
        restarted: What showed that the firmware has restarted, or None.
        expecting_boot: Whether a boot banner is welcome.
        booted: Whether one came.
        habits: What was learnt of the firmware.
        notices: What a ledger should keep.
        last_command: The newest command as given.
        on_temperature: Called with every temperature report and its time.
    """

    def __init__(self, name: str, dialect: Dialect) -> None:
        self.pending: Pending | None = None
        self.out_of_step = False
        self.halted: str | None = None
        self.restarted: str | None = None
        self.expecting_boot = False
        self.booted = False
        self.habits = Habits()
        self.notices: deque[Notice] = deque(maxlen=500)
        self.last_command = ""
        self.on_temperature: Callable[[ev.Temperature, float], None] | None = None
        self.assembler = LineAssembler()
        self.numbering = Numbering()
        self._name = name
        self._dialect = dialect
        self._outgoing: list[bytes] = []
        self._last_error_number: int | None = None

    def start(self, text: str, now: float, options: Options) -> Pending:
        """Begin an exchange; its line is then among the `outgoing`."""
        if self._dialect.numbered and not options.get("bare", False):
            raw = self.numbering.add(text)
            return self._start(text, self.numbering.newest, raw, now, options)
        return self._start(text, None, text.encode("ascii"), now, options)

    def restart_numbers(self, now: float, options: Options) -> Pending:
        """Begin the exchange that sets the firmware's line counter to zero."""
        return self._start("M110", None, self.numbering.restart(), now, options)

    def outgoing(self) -> list[bytes]:
        """The lines to be sent now, without their ends; each is given once."""
        lines, self._outgoing = self._outgoing, []
        return lines

    def receive(self, data: bytes, now: float) -> None:
        """Take bytes that came."""
        for line in self.assembler.feed(data):
            for event in classify(line, self._dialect):
                self._take(event, now)

    def abandon(self) -> None:
        """Give up what is under way: its answer may still come and must serve nothing else."""
        self.pending = None
        self.out_of_step = True
        self.assembler.drop_partial()
        self._outgoing.clear()

    def note(self, kind: str, text: str, now: float) -> None:
        """Keep something remarkable."""
        self.notices.append(Notice(kind, text, now))

    def _start(
        self, text: str, number: int | None, raw: bytes, now: float, options: Options
    ) -> Pending:
        timeout_s = options.get("timeout_s", self._dialect.reply_s)
        repeat_after_s = options.get("repeat_after_s", _REPEAT_AFTER_S)
        self.last_command = text
        self._last_error_number = None
        self.pending = Pending(
            command=text,
            number=number,
            raw=raw,
            timeout_s=timeout_s,
            sent_s=now,
            end_s=now + timeout_s,
            hard_end_s=now + max(timeout_s, options.get("busy_s", self._dialect.busy_s)),
            want=options.get("want"),
            want_temperature=options.get("want_temperature", False),
            body_grace_s=options.get("body_grace_s", _BODY_GRACE_S),
            repeat_after_s=repeat_after_s if number is not None else None,
            cursor=number or 0,
            transmitted_s=now,
            alive_s=now,
        )
        self._outgoing.append(raw)
        return self.pending

    def _take(self, event: ev.Event, now: float) -> None:
        """Act on one event."""
        pending = self.pending
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
                self.note("resent", text, now)
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
                    self.note("remark", text, now)
            case ev.Unknown(text):
                if pending is not None:
                    pending.unknown = True
                    pending.look_at(text, now)
            case ev.Refused(_, text):
                if pending is not None:
                    pending.refusals.append(event)
                self.note("refused", text, now)
            case ev.Failure(text):
                if pending is not None:
                    pending.failures.append(text)
                self.note("failure", text, now)
            case ev.SteppedDown(text):
                self.note("stepped-down", text, now)
            case ev.Halted(text):
                self.halted = self.halted or text
            case ev.Restarted(text):
                self.booted = True
                if not self.expecting_boot:
                    self.restarted = self.restarted or f"it said {text!r}"
            case ev.Garbage(count):
                self.note("garbage", f"{count} bytes that are no text", now)

    def _take_ok(self, event: ev.Ok, now: float) -> None:
        pending = self.pending
        if pending is None or pending.done:
            self.note("surplus-ok", event.tail, now)
            return
        ours = pending.number
        if event.number is not None and ours is not None:
            if event.number == ours:
                self.habits.numbers_in_ok = True
                self.numbering.settled(ours)
            elif (
                0 < event.number < ours
                and (self.habits.numbers_in_ok or event.duplicate)
                and pending.phase is not Phase.REWINDING
            ):
                self.note("stale-ok", event.tail, now)
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
            self.note("surplus-ok", event.tail, now)
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
            self.note("no-ok", pending.command, now)
            self._acknowledge(pending, now)
        elif pending.silent_repeats < _MOST_SILENT_REPEATS + 2:
            self._repeat(pending, now)

    def _take_resend(self, number: int, now: float) -> None:
        pending = self.pending
        last_number, self._last_error_number = self._last_error_number, None
        if pending is None or pending.done:
            return
        if pending.phase is Phase.SETTLING and number == pending.asked:
            return  # the same complaint again: answered once
        if pending.number is None:
            pending.cursor = 0
        else:
            request = self.numbering.request(number, last_number=last_number)
            if request.answer is Answer.RESTARTED:
                self.restarted = "its line counter is back at zero"
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
            raw = self.numbering.line(pending.cursor)
        at_end = pending.number is None or pending.cursor >= pending.number
        pending.phase = Phase.WAITING if at_end else Phase.REWINDING
        pending.transmitted_s = pending.alive_s = now
        self._outgoing.append(raw)

    def _repeat(self, pending: Pending, now: float) -> None:
        pending.silent_repeats += 1
        if self.assembler.partial:
            half = self.assembler.drop_partial()
            self.note("half-line", half.decode("ascii", "replace"), now)
        self.note("repeated", pending.command, now)
        self._transmit(pending, now)

    def tick(self, now: float, last_byte_s: float) -> None:
        """Everything that happens because time has passed.

        Raises:
            ReplyTimeoutError: The deadline is over.
            LinkError: The line could not be brought across.
        """
        pending = self.pending
        if pending is None:
            return
        quiet_s = now - max(last_byte_s, pending.transmitted_s)
        if pending.phase is Phase.SETTLING:
            if quiet_s >= SETTLE_S or now >= pending.settle_end_s:
                pending.attempts += 1
                if pending.attempts > _MOST_ATTEMPTS:
                    self.pending = None
                    self.out_of_step = True
                    raise LinkError(
                        f"{self._name}: {pending.command!r} was sent {_MOST_ATTEMPTS} times "
                        "and never arrived whole: check the cable and keep it away from the motor "
                        "and heater wires"
                    )
                self._transmit(pending, now)
        elif pending.acknowledged:
            if pending.closing and quiet_s < SETTLE_S:
                return  # the ok of the complaint may still be on its way
            no_body = pending.wants_body and pending.body_s is None
            grace = pending.body_grace_s
            given_up = pending.unknown or (
                grace is not None and now - pending.acknowledged_s >= grace
            )
            if not no_body or given_up:
                pending.finish(now)
                self.pending = None
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
        half = self.assembler.drop_partial()
        if pending.number is None and pending.body_s is not None and not half:
            # A whole body without its ok, and no numbers to ask again under: take it.
            self.note("no-ok", pending.command, now)
            self._acknowledge(pending, now)
            pending.finish(now)
            self.pending = None
            return
        self.pending = None
        self.out_of_step = True
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
            f"{self._name}: {what} to {pending.command!r} within {waited:.1f} s"
        )
