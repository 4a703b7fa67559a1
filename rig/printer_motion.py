"""One constant-speed extrusion, fed in short segments by our own clock."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from enum import Enum, auto

from rig.clock import Clock
from rig.errors import FirmwareResetError
from rig.link.conversation import Link
from rig.link.exchange import Notice, Pending, Reply
from rig.printer_plan import MovePlan, lead_s, motion_time_s
from rig.printer_types import MoveResult

#: Measured and expected move time may differ by this share ...
TIME_TOLERANCE = 0.03
#: ... or by this, in s, whichever is more: what polling and start latency leave uncertain.
TIME_FLOOR_S = 0.2
#: A query is only begun when this much time is left before the next segment is due, in s.
_QUERY_ROOM_S = 0.1
#: A segment's ok that is this late makes the line go out again (under its number), in s.
_SEGMENT_REPEAT_S = 0.5
#: Longest that the barrier may be late before silence is taken for a hang, in s, beyond the
#: expected end and as a share of the move: a clamped move is late, not lost.
_BARRIER_MARGIN_S = 20.0
_BARRIER_MARGIN = 2.0
#: Room of the position check, in mm: two decimals are reported.
_POSITION_ROOM_MM = 0.02


class _Stage(Enum):
    FEED = auto()
    BARRIER = auto()
    POSITION = auto()
    READ_BACK = auto()
    DONE = auto()


@dataclass(slots=True, kw_only=True)
class MotionTools:
    """What a move needs of its printer.

    Attributes:
        link, clock: The conversation and the time base.
        acceleration_mm_s2: Acceleration that the plan was made with.
        latency_s: Start latency and round trips of the barrier, in s, as calibrated.
        start_latency_s: The share of it that passes before motion begins, in s.
        barrier_waits: Whether the barrier was seen to wait for the end of motion.
        marker_mm: Position before the move, in mm; None where it is not known.
        temperature_every_s: Age of the last report at which the temperature is asked for, in s.
        last_temperature_s: Clock time of the last report, in s.
        take_notices: Gives everything remarkable since the last call.
        read_back: Verb that reads the current back, or None.
        check_read_back: Anomalies that an answer to it shows.
    """

    link: Link
    clock: Clock
    acceleration_mm_s2: float
    latency_s: float
    start_latency_s: float
    barrier_waits: bool = True
    marker_mm: float | None = None
    temperature_every_s: float = 1.0
    last_temperature_s: Callable[[], float] = field(default=lambda: -math.inf)
    take_notices: Callable[[], list[Notice]]
    read_back: str | None = None
    check_read_back: Callable[[Reply], list[str]] = field(default=lambda _: [])
    target_lost: Callable[[], bool] = field(default=lambda: False)


class Move:
    """One constant-speed extrusion.

    Call `poll` at least every 50 ms until `done`; it never blocks longer than its ``wait_s`` and a
    few milliseconds, so that sound can be read meanwhile.

    Attributes:
        length_mm: Filament length asked for, rounded to steps, in mm.
        speed_mm_s: Filament speed, in mm/s.
        expected_s: Duration of the motion, ramps included, in s; of what was sent, once aborted.
        ramp_s: Duration of the acceleration (and of the deceleration), in s.
        started_s: Clock time at which motion is taken to have begun; None before.
        ended_s: Clock time at which motion is taken to have ended; None before.
        done: Whether motion has ended and everything was read back.
        refused: What the firmware refused, or None.
        sent_mm: Filament length sent so far, in mm.
    """

    def __init__(self, plan: MovePlan, tools: MotionTools) -> None:
        self.length_mm = plan.commanded_mm
        self.speed_mm_s = plan.speed_mm_s
        self.expected_s = plan.expected_s
        self.ramp_s = plan.ramp_s
        self.started_s: float | None = None
        self.ended_s: float | None = None
        self.refused: str | None = None
        self.sent_mm = 0.0
        self._plan = plan
        self._tools = tools
        self._lead_s = lead_s(
            speed_mm_s=plan.speed_mm_s, acceleration_mm_s2=tools.acceleration_mm_s2
        )
        self._stage = _Stage.FEED
        self._pending: Pending | None = None
        self._index = 0
        self._first_sent_s: float | None = None
        self._queue_end_s = 0.0
        self._asked_s = tools.clock.now()
        self._aborted = False
        self._starved_s = 0.0
        self._measured_s = math.nan
        self._anomalies: list[str] = []

    @property
    def done(self) -> bool:
        """Whether motion has ended and everything was read back."""
        return self._stage is _Stage.DONE

    @property
    def aborted(self) -> bool:
        """Whether `abort` was called before everything was fed."""
        return self._aborted

    @property
    def anomalies(self) -> tuple[str, ...]:
        """What makes the move doubtful, so far."""
        return tuple(self._anomalies)

    def poll(self, wait_s: float = 0.0) -> None:
        """Feed what is due and read what came, waiting at most ``wait_s`` s for a byte.

        Raises:
            LinkError: Any kind; the move is then over, and the caller's guard takes it from there.
        """
        if self.done:
            return
        self._tools.link.pump(max(0.0, min(wait_s, self._room_s())))
        self._hear_notices()
        while not self.done and self._advance():
            pass

    def abort(self) -> None:
        """Feed nothing more; motion ends within a second. Does not wait: go on polling."""
        if self._stage is _Stage.FEED and self._index < len(self._plan.lengths_mm):
            self._aborted = True

    def result(self) -> MoveResult:
        """How it went; polls to the end first where the move is not yet done."""
        while not self.done:
            self.poll(0.05)
        return MoveResult(
            measured_s=self._measured_s,
            expected_s=self.expected_s,
            commanded_mm=self.sent_mm,
            aborted=self._aborted,
            refused=self.refused,
            anomalies=tuple(self._anomalies),
        )

    # -- inside ---------------------------------------------------------------------------------

    def _segment_due_s(self) -> float:
        """Clock time at which the next segment has to go out."""
        if self._first_sent_s is None:
            return -math.inf
        next_s = self._plan.lengths_mm[self._index] / self._plan.speed_mm_s
        return self._queue_end_s + next_s - self._lead_s

    def _room_s(self) -> float:
        """Time until something is due, in s."""
        feeding = self._stage is _Stage.FEED and self._pending is None
        if not feeding or self._aborted or self._index >= len(self._plan.lengths_mm):
            return math.inf
        return self._segment_due_s() - self._tools.clock.now()

    def _advance(self) -> bool:
        """One step, where one is due; whether there was one."""
        if self._pending is not None:
            if not self._pending.done or self._pending.reply is None:
                return False
            reply, self._pending = self._pending.reply, None
            self._answered(reply)
            return True
        match self._stage:
            case _Stage.FEED:
                return self._feed()
            case _Stage.BARRIER:
                self._begin_barrier()
            case _Stage.POSITION:
                self._pending = self._tools.link.begin(
                    self._tools.link.dialect.line("position"),
                    want=self._tools.link.dialect.replies["position"][0],
                    timeout_s=self._patience_s(),
                    busy_s=self._patience_s(),
                    body_grace_s=None,
                    repeat_after_s=None,
                )
            case _Stage.READ_BACK:
                self._begin_read_back()
            case _Stage.DONE:
                return False
        return True

    def _feed(self) -> bool:
        if self._aborted or self.refused or self._index >= len(self._plan.lengths_mm):
            if self._first_sent_s is None:  # broken off before anything moved
                self.expected_s = self._measured_s = 0.0
                self._stage = _Stage.DONE
            else:
                self._stage = _Stage.BARRIER
            return True
        now = self._tools.clock.now()
        due_s = self._segment_due_s()
        if now >= due_s:
            self._send_segment(now)
            return True
        known_s = max(self._tools.last_temperature_s(), self._asked_s)
        if now - known_s >= self._tools.temperature_every_s and due_s - now >= _QUERY_ROOM_S:
            self._asked_s = now
            self._pending = self._tools.link.begin(
                self._tools.link.dialect.line("temperature"),
                want_temperature=True,
                body_grace_s=0.3,
                repeat_after_s=_SEGMENT_REPEAT_S,
            )
            return True
        return False

    def _send_segment(self, now: float) -> None:
        length_mm = self._plan.lengths_mm[self._index]
        if self._first_sent_s is None:
            self._first_sent_s = now
            self.started_s = now + self._tools.start_latency_s
            self._queue_end_s = self.started_s + self._plan.ramp_s / 2.0
        elif now > self._queue_end_s:
            self._starved_s += now - self._queue_end_s
            self._queue_end_s = now
        self._queue_end_s += length_mm / self._plan.speed_mm_s
        self._pending = self._tools.link.begin(
            self._tools.link.dialect.line(
                "extrude", length_mm=length_mm, feed_mm_min=self._plan.feed_mm_min
            ),
            repeat_after_s=_SEGMENT_REPEAT_S,
        )
        self._index += 1
        self.sent_mm = round(self.sent_mm + length_mm, 5)

    def _patience_s(self) -> float:
        """How long the barrier is waited for: a clamped move is late, not lost."""
        left_s = max(0.0, self._queue_end_s - self._tools.clock.now())
        return left_s + _BARRIER_MARGIN * self.expected_s + _BARRIER_MARGIN_S

    def _begin_barrier(self) -> None:
        if self._aborted or self.refused:
            self.expected_s = motion_time_s(
                length_mm=self.sent_mm,
                speed_mm_s=self._plan.speed_mm_s,
                acceleration_mm_s2=self._tools.acceleration_mm_s2,
            )
        self._pending = self._tools.link.begin(
            self._tools.link.dialect.line("barrier"),
            timeout_s=self._patience_s(),
            busy_s=self._patience_s(),
            repeat_after_s=None,
        )

    def _begin_read_back(self) -> None:
        if self._tools.read_back is None:
            self._finish()
            return
        self._pending = self._tools.link.begin(self._tools.link.dialect.line(self._tools.read_back))

    def _answered(self, reply: Reply) -> None:
        self._hear_notices()
        if reply.complaint and self._stage in (_Stage.FEED, _Stage.BARRIER):
            self._refuse(reply.complaint)
        if self._stage is _Stage.BARRIER:
            self._stage = _Stage.POSITION
        elif self._stage is _Stage.POSITION:
            self._end(reply)
            self._stage = _Stage.READ_BACK
        elif self._stage is _Stage.READ_BACK:
            self._anomalies.extend(self._tools.check_read_back(reply))
            self._finish()

    def _end(self, reply: Reply) -> None:
        """The barrier's body has come: motion is over."""
        if self._starved_s > 0:
            self._add(f"starved: by our clock the queue was dry for {self._starved_s:.2f} s in all")
        assert self._first_sent_s is not None
        assert self.started_s is not None
        body_s = reply.body_s if reply.body_s is not None else reply.ended_s
        after_s = self._tools.latency_s - self._tools.start_latency_s
        self.ended_s = max(self.started_s, body_s - after_s)
        if self._tools.barrier_waits:
            self._measured_s = max(0.0, body_s - self._first_sent_s - self._tools.latency_s)
            self._check_time()
        else:
            self.ended_s = max(self.ended_s, self.started_s + self.expected_s)
        if self._tools.marker_mm is not None and reply.found is not None:
            self._check_position(float(reply.found["value"]), self._tools.marker_mm)

    def _check_time(self) -> None:
        off_s = self._measured_s - self.expected_s
        room_s = max(TIME_TOLERANCE * self.expected_s, TIME_FLOOR_S)
        if abs(off_s) > room_s:
            how = "late: slowed down or starved" if off_s > 0 else "early: not all of it was done"
            self._anomalies.append(
                f"move-time: {self._measured_s:.2f} s instead of {self.expected_s:.2f} s "
                f"({off_s / self.expected_s:+.0%}, {how})"
            )

    def _check_position(self, position_mm: float, marker_mm: float) -> None:
        wanted_mm = marker_mm + self.sent_mm
        if abs(position_mm - wanted_mm) <= _POSITION_ROOM_MM + 1e-4 * abs(wanted_mm):
            return
        if self._tools.target_lost():
            raise FirmwareResetError(
                f"the extruder's position is {position_mm:.2f} mm instead of {wanted_mm:.2f} mm "
                "and the heater's target is gone: the board has restarted without saying so"
            )
        self._anomalies.append(
            f"position: the extruder's position is {position_mm:.2f} mm instead of "
            f"{wanted_mm:.2f} mm: the board lost moves, or restarted"
        )

    def _hear_notices(self) -> None:
        for notice in self._tools.take_notices():
            if notice.kind in ("refused", "failure"):
                self._refuse(notice.text)
            elif notice.kind == "stepped-down":
                self._add(f"stepped-down: the driver said {notice.text!r}")

    def _refuse(self, text: str) -> None:
        if self.refused is None:
            self.refused = text
        self._add(f"refused: the firmware said {text!r}")

    def _add(self, anomaly: str) -> None:
        if anomaly not in self._anomalies:
            self._anomalies.append(anomaly)

    def _finish(self) -> None:
        self._hear_notices()
        self._stage = _Stage.DONE
