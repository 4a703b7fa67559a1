"""The verbs on one printer: connect, read back, prepare, heat, extrude, stop, restore.

Nothing here switches the firmware's cold-extrusion protection off and nothing is ever saved to its
memory: after a restart the printer is as its owner left it.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable

from rig.clock import Clock
from rig.errors import (
    CommandRefusedError,
    FirmwareResetError,
    LinkError,
    ReplyTimeoutError,
    UnfitBenchError,
)
from rig.link import events as ev
from rig.link.conversation import Link, Port
from rig.link.dialect import Dialect
from rig.link.exchange import Notice, Reply
from rig.printer_heat import wait_until_steady
from rig.printer_keeper import Keeper
from rig.printer_motion import MotionTools, Move
from rig.printer_plan import SEGMENT_S, plan_move
from rig.printer_queries import Queries
from rig.printer_settings import DriverReport, capabilities
from rig.printer_types import Identity, MoveResult, PrinterSettings, TemperatureReading

__all__ = [
    "DriverReport",
    "Identity",
    "Move",
    "MoveResult",
    "Printer",
    "PrinterSettings",
    "TemperatureReading",
    "wait_until_steady",
]

#: A board that restarts when the port is opened is silent this long before its banner, in s.
_BOOT_SILENCE_S = 2.5
_BOOT_QUIET_S = 1.0
_BOOT_LIMIT_S = 10.0
_CONNECT_TRIES = 4
#: Start latency and barrier of a small move, where it was not calibrated, in s.
_USUAL_LATENCY_S = 0.1
#: The calibrating moves: so long, so fast, in segments so short. Several segments each, because a
#: planner may hold a single short one back for a while, waiting for more.
_CALIBRATION_MM = (0.5, 1.0)
_CALIBRATION_MM_S = 1.0
_CALIBRATION_SEGMENT_S = 0.1
#: Where the extruder's position is set to before each move: after a restart it would be 0.
_MARKER_MM = 3.0
#: Drivers set current in steps; a read-back this near the request is that step.
_CURRENT_STEP_A = 0.06
_CURRENT_ROOM_A = 0.0015
_TARGET_ROOM_C = 1.0
#: A temperature older than this is asked for during a move, in s; reports that were promised to
#: come by themselves are given longer.
_QUERY_S = 1.0
_REPORT_S = 2.5
#: How long to listen after an emergency stop, in s.
_LAST_WORDS_S = 1.0


class Printer:
    """One printer behind one link.

    Attributes:
        link, clock, dialect: The conversation, the time base, the language.
        filament_diameter_mm: Diameter of the filament, in mm.
        identity: What `connect` learnt, or None.
        settings: What `read_settings` found last, or None.
        last_temperature: The newest report of the hot end, whoever asked for it, or None.
        target_c: The target that this program set last, in degrees Celsius (0 is off).
        has_heated: Whether this program ever switched the heater on.
        current_a: The current that this program set last, as read back where that is possible.
        notices: The newest remarkable things that the firmware or the link did.
        barrier_latency_s: Start latency and round trips of a move, in s, as calibrated.
        barrier_waits: Whether the end of a move can be seen at all; None before the calibration.
    """

    def __init__(self, link: Link, *, clock: Clock, filament_diameter_mm: float) -> None:
        self.link = link
        self.clock = clock
        self.dialect: Dialect = link.dialect
        self.filament_diameter_mm = filament_diameter_mm
        self.identity: Identity | None = None
        self.settings: PrinterSettings | None = None
        self.last_temperature: TemperatureReading | None = None
        self.target_c = 0.0
        self.target_set_s = clock.now()
        self.has_heated = False
        self.current_a: float | None = None
        self.notices: deque[Notice] = deque(maxlen=1000)
        self.barrier_latency_s = _USUAL_LATENCY_S
        self.start_latency_s = _USUAL_LATENCY_S / 2.0
        self.barrier_waits: bool | None = None
        self._queries = Queries(link)
        self._keeper = Keeper(self._queries, self._send_current)
        self._reports_by_itself = False
        self._move: Move | None = None
        link.hear_temperatures(self._heard_temperature)

    # -- getting acquainted ---------------------------------------------------------------------

    def connect(self) -> Identity:
        """Wait until the board is ready, restart the line numbers, ask who it is.

        Opening the port resets many boards; a line sent before their banner is lost. So nothing is
        sent before it has been quiet for a second (ten at most). A board that keeps its state over
        an opening gives no banner: its old state is not trusted either.

        Raises:
            ReplyTimeoutError: It never answered; the message says when the rate looks wrong.
            FirmwareHaltedError: It is in its stopped state.
        """
        failure: LinkError | None = None
        garbage_before = self.link.garbage_bytes
        for _ in range(_CONNECT_TRIES):
            self.link.listen_for_boot(
                quiet_s=_BOOT_QUIET_S, first_s=_BOOT_SILENCE_S, at_most_s=_BOOT_LIMIT_S
            )
            try:
                self.link.end_line()
                self.link.quiet(0.2, at_most_s=2.0)
                self.link.restart_numbers()
                reply = self._queries.ask("identity")
                self.temperature()
            except (ReplyTimeoutError, FirmwareResetError) as error:
                failure = error
                continue
            self._absorb()
            self._queries.capabilities = capabilities(reply.lines if reply else ())
            self.identity = Identity(
                text=self._identity_line(reply),
                capabilities=self._queries.capabilities,
                booted=self.link.take_boot(),
            )
            return self.identity
        strange = self.link.garbage_bytes - garbage_before
        rate = (
            f"; {strange} of the bytes that came are no text, so link.baud = "
            f"{self.link.port.baud} is probably wrong (115200 and 250000 are common)"
            if strange > 3
            else ""
        )
        raise ReplyTimeoutError(
            f"{self.link.port.name}: no firmware answers{rate}: check that the printer is on and "
            f"that link.port and link.dialect fit ({failure})"
        ) from failure

    def read_settings(self) -> PrinterSettings:
        """Ask for everything that could falsify a measurement. What is untold stays None."""
        self.settings = self._queries.settings()
        self._absorb()
        return self.settings

    def driver_report(self) -> DriverReport | None:
        """The driver's own report: the current it really applies, its microsteps, its flags."""
        return self._queries.driver_report()

    # -- preparing and putting back -------------------------------------------------------------

    def prepare(self) -> None:
        """Bring the extruder into the state that a measurement needs, remembering what was found.

        Flow and speed at 100 %, pressure compensation off, volumetric lengths off, motors kept on,
        relative extrusion. Reads the settings first where that was not done, and reads back after.

        Raises:
            UnfitBenchError: A setting did not take.
        """
        self._keeper.found(self.settings or self.read_settings())
        self._keeper.change("flow", "set_flow", percent=100.0)
        self._keeper.change("feed", "set_feed", percent=100.0)
        self._keeper.change("pressure", "set_pressure", factor=0.0)
        self._keeper.change("volumetric", "volumetric_off")
        self._keeper.change("idle", "set_idle", seconds=0.0)
        self._reports_by_itself = self._keeper.change("report", "report_temperature", seconds=1.0)
        self._keeper.remember("extrusion")
        for text in self.dialect.lines("relative_extrusion"):  # last: others may cancel it
            self._queries.exchange(text)
        after = self.read_settings()
        for what, value, wanted in (
            ("flow multiplier", after.flow_percent, 100.0),
            ("speed multiplier", after.feed_percent, 100.0),
            ("pressure compensation", after.pressure_factor, 0.0),
            ("volumetric mode", after.volumetric and 1.0, 0.0),
        ):
            if value is not None and abs(value - wanted) > 1e-6:
                raise UnfitBenchError(
                    f"the {what} reads {value:g} after it was set to {wanted:g}: the firmware did "
                    "not take it; set it on the printer itself, or correct the dialect file"
                )

    def restore(self) -> list[str]:
        """Put back what `prepare` and `set_current` changed; returns what could not be.

        Each step is tried even if another failed. Safe to call again.
        """
        if self.link.restarted is not None:
            self.link.accept_restart()
        self._absorb()
        undone = self._keeper.put_back()
        self._reports_by_itself = False
        undone += [
            f"run current: the driver lowered it by itself ({notice.text})"
            for notice in self._absorb()
            if notice.kind == "stepped-down"
        ]
        return undone

    def arm_dead_man(self, seconds: float) -> bool:
        """Let the firmware stop by itself when nothing is sent for ``seconds``; where it can.

        Without it many firmwares keep heating after the computer has died. `restore` disarms it.
        """
        return self._keeper.change("dead_man", "dead_man", seconds=seconds)

    # -- heat -----------------------------------------------------------------------------------

    def temperature(self) -> TemperatureReading:
        """One query of the hot end. Raises `ReplyTimeoutError` where no report comes."""
        for _ in range(2):
            reply = self.link.command(self.dialect.line("temperature"), want_temperature=True)
            if reply.temperature is not None and self.last_temperature is not None:
                return self.last_temperature
        raise ReplyTimeoutError(
            f"{self.link.port.name}: {self.dialect.line('temperature')!r} brought no temperature: "
            "correct replies.temperature in the dialect file"
        )

    def set_target(self, temperature_c: float) -> None:
        """Set the hot end's target, in degrees Celsius, without waiting; 0 is off."""
        if temperature_c > 0:
            self.has_heated = True
        # The target counts from before it is sent: an interrupt in between must not lose it.
        self.target_c = temperature_c
        self.target_set_s = self.clock.now()
        for text in self.dialect.lines("heat", temperature_c=temperature_c):
            self._queries.exchange(text)
        self.target_set_s = self.clock.now()

    def wait_until_steady(
        self,
        *,
        band_c: float = 1.0,
        dwell_s: float = 20.0,
        tick: Callable[[TemperatureReading], None] | None = None,
        deadline_s: float | None = None,
    ) -> TemperatureReading:
        """Wait until the hot end is steady at the target that was set; see `wait_until_steady`."""
        return wait_until_steady(
            self,
            clock=self.clock,
            temperature_c=self.target_c,
            band_c=band_c,
            dwell_s=dwell_s,
            tick=tick,
            deadline_s=deadline_s,
        )

    def heaters_off(self) -> None:
        """All heaters off, verified in a report, in whatever state the conversation is.

        Raises:
            LinkLostError: The port is gone.
            CommandRefusedError: Not acknowledged, or the report still shows a target.
        """
        self._drop_move()
        begun_s = self.target_set_s = self.clock.now()
        acknowledged = [
            self.link.insist(text) is not None for text in self.dialect.lines("heaters_off")
        ]
        reply = self.link.insist(self.dialect.line("temperature"), want_temperature=True)
        report = reply.temperature if reply is not None else None
        newest = self.last_temperature
        if report is not None and report.target_c is not None:
            off = report.target_c <= 0.0
        elif newest is not None and newest.time_s > begun_s and newest.target_c is not None:
            # However confused the acknowledgements are, a report of no target is the proof.
            off = newest.target_c <= 0.0
        else:
            off = acknowledged[0] and reply is not None
        if not off:
            raise CommandRefusedError(
                "the heater was told to go off and the printer did not confirm it"
                + (f" (target still {report.target_c:g} C)" if report and report.target_c else "")
            )
        self.target_c = 0.0

    # -- current --------------------------------------------------------------------------------

    def set_current(self, current_a: float) -> None:
        """Set the run current, in the driver's own unit, and read it back where possible.

        Raises:
            ValueError: The current is not positive.
            CommandRefusedError: The firmware did not take it, or reads back another.
        """
        if not current_a > 0:
            raise ValueError(f"a run current has to be positive, not {current_a:g} A")
        if not self._keeper.knows("current"):
            before = self._queries.sure_current()
            if before is not None:
                self._keeper.keep("current", before)
        self._keeper.remember("current")
        self.current_a = None
        self._send_current(current_a)
        self._absorb()

    def read_current(self) -> float | None:
        """The run current that the firmware has, in the driver's own unit; None if untold.

        The value is given as it is read, however absurd: a driver whose step-down ran past zero
        reports tens of amperes, and the caller has to see that it is not what was set.
        """
        return self._queries.current()

    def verify(self) -> tuple[str, ...]:
        """Read current and target back; anomalies in the words of `MoveResult.anomalies`."""
        found: list[str] = []
        reply = self._queries.ask("get_current")
        if reply is not None:
            found.extend(self._check_current(reply))
        reading = self.temperature()
        if reading.target_c is not None and abs(reading.target_c - self.target_c) > _TARGET_ROOM_C:
            found.append(
                f"settings-changed: the heater's target is {reading.target_c:g} C, "
                f"set was {self.target_c:g} C"
            )
        found.extend(
            f"stepped-down: the driver said {notice.text!r}"
            for notice in self._absorb()
            if notice.kind == "stepped-down"
        )
        return tuple(found)

    # -- motion ---------------------------------------------------------------------------------

    def start_move(self, *, length_mm: float, speed_mm_s: float) -> Move:
        """Begin one constant-speed extrusion; poll the `Move` until it is done.

        Calibrates the barrier first where that was not done yet, with two moves of a
        millimetre at most, and sets relative extrusion and a known position.

        Raises:
            ValueError: Length or speed is not positive.
            UnfitBenchError: The speed is above the firmware's limit.
        """
        if self.barrier_waits is None:
            self.calibrate_barrier()
        return self._begin_move(length_mm=length_mm, speed_mm_s=speed_mm_s)

    def calibrate_barrier(self) -> bool:
        """Time two small moves, to know what a move costs beside its motion.

        Needs a hot end above the firmware's least extrusion temperature; returns False, and leaves
        the usual values, where the moves are refused.
        """
        taken: list[tuple[float, float]] = []
        self.barrier_latency_s, self.start_latency_s = 0.0, 0.0
        self.barrier_waits = True
        try:
            for length_mm in _CALIBRATION_MM:
                move = self._begin_move(
                    length_mm=length_mm,
                    speed_mm_s=_CALIBRATION_MM_S,
                    segment_s=_CALIBRATION_SEGMENT_S,
                )
                result = move.result()
                if result.refused:
                    break
                taken.append((result.measured_s, result.expected_s))
        finally:
            self.barrier_waits = None
            self.barrier_latency_s = _USUAL_LATENCY_S
            self.start_latency_s = _USUAL_LATENCY_S / 2.0
        if len(taken) < len(_CALIBRATION_MM):
            return False
        (short_s, short_expected_s), (long_s, long_expected_s) = taken
        # A barrier that waits sees the longer move take longer, by what it is longer.
        self.barrier_waits = long_s - short_s > 0.5 * (long_expected_s - short_expected_s)
        if self.barrier_waits:
            self.barrier_latency_s = max(0.0, short_s - short_expected_s)
            start_s = self.clock.now()
            self._queries.ask("position")
            round_trip_s = self.clock.now() - start_s
            # The end costs two round trips (barrier, position); the rest passes before motion.
            self.start_latency_s = max(0.0, self.barrier_latency_s - 2.0 * round_trip_s)
        return True

    def stop_motion(self) -> None:
        """Feed nothing more, and stop what is queued where the firmware acts at once."""
        self._drop_move()
        if self._queries.usable("quick_stop"):
            self.link.send_bare(self.dialect.line("quick_stop"))
            self.link.resync()

    def emergency(self) -> None:
        """The firmware's emergency stop, sent bare; what it says in the next second is heard."""
        self._drop_move()
        self.link.send_bare(self.dialect.line("emergency"))
        self.link.listen(_LAST_WORDS_S)

    # -- the port -------------------------------------------------------------------------------

    def reopened(self, port: Port) -> None:
        """Go on with another port object for the same printer (only to make it safe).

        The heaters are told to go off at once, heard or not: a board that restarts on opening
        switches them off by itself, and one that does not may be hot.
        """
        self._drop_move()
        self.link.reopened(port)
        for text in self.dialect.lines("heaters_off"):
            self.link.send_bare(text)
        self.link.listen_for_boot(
            quiet_s=_BOOT_QUIET_S, first_s=_BOOT_SILENCE_S, at_most_s=_BOOT_LIMIT_S
        )

    def close(self) -> None:
        """Close the port. Safe to call again."""
        self.link.close()

    # -- inside ---------------------------------------------------------------------------------

    def _begin_move(
        self, *, length_mm: float, speed_mm_s: float, segment_s: float = SEGMENT_S
    ) -> Move:
        settings = self.settings or PrinterSettings()
        if settings.max_feed_mm_s is not None and speed_mm_s > settings.max_feed_mm_s * 1.000001:
            raise UnfitBenchError(
                f"speed {speed_mm_s:g} mm/s is above the firmware's own limit of "
                f"{settings.max_feed_mm_s:g} mm/s for the extruder, which it would apply silently: "
                "lower limits.max_speed_mm_s in the bench file, or raise the firmware's limit"
            )
        acceleration_mm_s2 = settings.acceleration_mm_s2 or self.dialect.assumed_acceleration_mm_s2
        plan = plan_move(
            length_mm=length_mm,
            speed_mm_s=speed_mm_s,
            acceleration_mm_s2=acceleration_mm_s2,
            one_move_mm=self.dialect.one_move_mm,
            steps_per_mm=settings.steps_per_mm,
            segment_s=segment_s,
        )
        self._absorb()
        for text in self.dialect.lines("relative_extrusion"):
            self._queries.exchange(text)
        marker_mm: float | None = None
        if self.dialect.has("set_position"):
            marker_mm = _MARKER_MM
            self._queries.exchange(self.dialect.line("set_position", position_mm=marker_mm))
        self._move = Move(
            plan,
            MotionTools(
                link=self.link,
                clock=self.clock,
                acceleration_mm_s2=acceleration_mm_s2,
                latency_s=self.barrier_latency_s,
                start_latency_s=self.start_latency_s,
                barrier_waits=bool(self.barrier_waits),
                marker_mm=marker_mm,
                temperature_every_s=_REPORT_S if self._reports_by_itself else _QUERY_S,
                last_temperature_s=self._last_temperature_s,
                take_notices=self._absorb,
                read_back="get_current" if self._queries.usable("get_current") else None,
                check_read_back=self._check_current,
                target_lost=self._target_lost,
            ),
        )
        return self._move

    def _last_temperature_s(self) -> float:
        return self.last_temperature.time_s if self.last_temperature else -math.inf

    def _drop_move(self) -> None:
        if self._move is not None:
            self._move.abort()
            self._move = None

    def _heard_temperature(self, event: ev.Temperature, now_s: float) -> None:
        self.last_temperature = TemperatureReading(event.actual_c, event.target_c, now_s)

    def _target_lost(self) -> bool:
        if self.target_c <= 0:
            return False
        self.link.pump(0.0)
        reading = self.temperature()
        return reading.target_c is not None and reading.target_c <= 0

    def _identity_line(self, reply: Reply | None) -> str:
        if reply is None:
            return ""
        if reply.found is not None:
            return reply.found.string.strip()
        return next((line for line in reply.lines if line), "")

    def _check_current(self, reply: Reply) -> list[str]:
        """Anomalies that a read-back of the current shows."""
        value = self._queries.current_in(reply)
        if self.current_a is None or value is None:
            return []
        if abs(value - self.current_a) <= _CURRENT_ROOM_A:
            return []
        return [
            f"settings-changed: the run current reads {value:g} A, set was {self.current_a:g} A"
        ]

    def _send_current(self, current_a: float) -> None:
        text = self.dialect.line("set_current", current_a=current_a)
        self._queries.exchange(text)
        value = self.read_current()
        if value is None:
            self.current_a = current_a
            return
        if abs(value - current_a) > max(_CURRENT_STEP_A, 0.05 * current_a):
            raise CommandRefusedError(
                f"{text!r} was acknowledged, but the extruder's run current reads {value:g} A: "
                "the command sets another axis or another unit (then correct commands.set_current "
                "in the dialect file), or the driver has stepped itself down"
            )
        self.current_a = value

    def _absorb(self) -> list[Notice]:
        """Everything remarkable since the last call, also kept in `notices`."""
        taken = self.link.take_notices()
        self.notices.extend(taken)
        return taken
