"""The virtual world: one bench with firmware, physics, microphone and encoder on one virtual time.

Time moves only when somebody waits: reading the port, reading the microphone, sleeping on the
clock. Firmware and planner run from event to event; the physics follows when it is asked for, from
what was decided meanwhile, and sound is computed only where a microphone is open. Everything is
deterministic from the seed.
"""

from __future__ import annotations

import math
import threading
from collections import deque
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from rig.simulation.faults import Fault, FaultPlan, parse_faults
from rig.simulation.firmware import Firmware
from rig.simulation.model import BenchModel
from rig.simulation.planner import Planner
from rig.simulation.registers import FAMILIES, Registers
from rig.simulation.serial_line import SerialLine
from rig.simulation.thermal import Heater
from rig.simulation.views import Truth, WorldClock

if TYPE_CHECKING:
    from rig.simulation.ear import Ear
    from rig.simulation.encoder import EncoderBoard
    from rig.simulation.extruder import Extruder
    from rig.simulation.microphone import WorldMicrophone

PHYSICS_HZ = 48000
CHUNK_S = 0.1
REST_AFTER_S = 0.25  # rotor and body have rung out
BOOT_S = 1.1


class World:
    """One virtual bench.

    Attributes:
        name, seed: What it was made from.
        model: What the bench consists of.
        now_s: World time.
        firmware, planner, heater, line: The board and its serial line.
        clock, truth: See there.
    """

    def __init__(
        self, model: BenchModel, *, name: str, seed: int, options: dict[str, str] | None = None
    ) -> None:
        options = options or {}
        self.name, self.seed, self.model = name, seed, model
        self.now_s = 0.0
        self.lock = threading.RLock()
        family = FAMILIES[options.get("family", "a1")]
        steps_per_mm = model.microsteps * model.steps_per_turn / model.feed_mm_turn
        self._found = {k[4:]: v for k, v in options.items() if k.startswith("set.")}
        self.dtr_resets = options.get("dtr", "1") != "0"
        self.heater = Heater(model.heater, np.random.default_rng([seed, 1]))
        if "warm" in options:
            self.heater.start_at(float(options["warm"]))
        self.planner = Planner(steps_per_mm)
        self.line = SerialLine(now=lambda: self.now_s, on_line=self._line_arrived)
        self.firmware = Firmware(
            family=family,
            defaults=lambda: self._registers(steps_per_mm),
            planner=self.planner,
            heater=self.heater,
            send=self.line.send,
            break_cable=self._break_cable,
            applied_rms_a=self._applied_rms_a,
            faults=FaultPlan(parse_faults(options.get("fault", ""))),
        )
        self.clock = WorldClock(self)
        self.truth = Truth(self)
        self.encoder: EncoderBoard | None = None
        self._extruder: Extruder | None = None
        self._ear: Ear | None = None
        self._microphone: WorldMicrophone | None = None
        self._rate_hz = PHYSICS_HZ
        self._origin_s = 0.0  # time of physics sample 0 at this rate
        self._samples = 0  # physics samples done since then
        self._moved_until_s = -math.inf
        # Winding current and block temperature from a time on, for the physics that follows later.
        self._settings: deque[tuple[float, float, float]] = deque([(0.0, 0.0, self._block_c)])

    # -- making -------------------------------------------------------------------------------

    def _registers(self, steps_per_mm: float) -> Registers:
        registers = Registers(steps_per_mm=steps_per_mm, filament_mm=self.model.filament_mm)
        registers.current_ma = round(600 * self.model.rated_current_a)
        for key, value in self._found.items():
            kind = type(getattr(registers, key))
            made = value not in ("0", "false") if kind is bool else kind(float(value))
            setattr(registers, key, made)
        return registers

    def _applied_rms_a(self, setting_ma: int) -> float:
        return self.model.applied_rms_a(setting_ma / 1000.0)

    @property
    def _block_c(self) -> float:
        return self.heater.block_c

    @property
    def extruder(self) -> Extruder:
        """The physics; the compiled loops load with the first use."""
        if self._extruder is None:
            from rig.simulation.extruder import Extruder

            self._extruder = Extruder(
                self.model, self._rate_hz, melt_c=self._settings[0][2], seed=self.seed
            )
        return self._extruder

    def inject(
        self,
        name: str,
        *,
        at_command: int | None = None,
        word: str | None = None,
        at_s: float | None = None,
    ) -> None:
        """Let a fault strike later: at the n-th line from now (with ``word``), or at a time.

        Raises:
            ValueError: No such fault.
        """
        self.firmware.faults.waiting.append(Fault(name, at_command, word, at_s))

    # -- the port -----------------------------------------------------------------------------

    def open_port(self, baud: int) -> None:
        """The host opens the port; a board with a converter chip restarts on that."""
        self.line.baud = baud
        self.line.reset()
        if self.dtr_resets:
            self._note_settings()
            self.firmware.now_s = self.now_s
            self.firmware.boot(after_s=BOOT_S)

    def mend_cable(self) -> None:
        """Plug a cut cable in again; the board has been running on meanwhile."""
        self.line.cut_pending, self.line.alive = False, True
        self.line.reset()

    def _line_arrived(self, line: str, at_s: float) -> None:
        self.firmware.receive(line, at_s)

    def _break_cable(self) -> None:
        self.line.cut_pending = True

    # -- time ---------------------------------------------------------------------------------

    def advance(self, duration_s: float, *, stop_at_bytes: bool = False) -> None:
        """Let time pass, at most ``duration_s``; with ``stop_at_bytes`` until the port has any."""
        self.advance_to(self.now_s + duration_s, stop_at_bytes=stop_at_bytes)

    def advance_to(self, end_s: float, *, stop_at_bytes: bool = False) -> None:
        """Let time pass until ``end_s``, event by event."""
        with self.lock:
            line, firmware, planner = self.line, self.firmware, self.planner
            while True:
                if stop_at_bytes and (line.received or line.broken):
                    return
                board_s, planner_s = firmware.next_event_s, planner.next_event_s
                now = min(line.next_event_s, board_s, planner_s, end_s, self.now_s + 1.0)
                self.now_s = now = max(self.now_s, now)
                busy = False
                if planner_s <= now:
                    planner.run(now)
                    firmware.moved_s = now
                    busy = True
                # Once a second it looks round even where nothing is due.
                if busy or board_s <= now or now - firmware.now_s >= 1.0:
                    firmware.run(now)
                    planner.run(now)
                    busy = True
                if self.heater.due_s <= now:
                    self.heater.run(now, flow_mm3_s=planner.speed_mm_s() * self.model.area_mm2)
                    busy = True
                line.run(now)
                if busy:
                    self._note_settings()
                if now >= end_s and not (busy and firmware.next_event_s <= now):
                    return

    def _note_settings(self) -> None:
        registers = self.firmware.registers
        on = registers.motors_on and not self.firmware.halted
        rms_a = self._applied_rms_a(registers.current_ma) if on else 0.0
        block_c = self._block_c
        _, last_rms_a, last_block_c = self._settings[-1]
        if rms_a != last_rms_a or abs(block_c - last_block_c) > 0.1:
            self._settings.append((self.now_s, rms_a, block_c))

    def warm_up(self) -> None:
        """Load the compiled loops now rather than with the first move."""
        self.catch_up()
        from rig.simulation.ear import motor_scale

        motor_scale(self.model)

    # -- physics, which follows ------------------------------------------------------------------

    @property
    def physics_s(self) -> float:
        """World time up to which the physics has followed."""
        return self._origin_s + self._samples / self._rate_hz

    def catch_up(self, *, sound: bool = True) -> None:
        """Bring the physics to the present; renders sound where a microphone is open."""
        with self.lock:
            self._follow_to(self.now_s, sound=sound)

    def follow_to(self, time_s: float) -> None:
        """Bring the physics to a time that is not after the present."""
        with self.lock:
            self._follow_to(min(time_s, self.now_s), sound=True)

    def _set_rate(self, rate_hz: int) -> None:
        if rate_hz != self._rate_hz:
            self._origin_s, self._samples = self.physics_s, 0
            self._rate_hz = rate_hz
            self.extruder.rate_hz = rate_hz

    def _follow_to(self, end_s: float, *, sound: bool) -> None:
        track = self.planner.track
        ear = self._ear if sound else None
        while True:
            left = math.floor((end_s - self._origin_s) * self._rate_hz + 1e-6) - self._samples
            if left <= 0:
                return
            now = self.physics_s
            while len(self._settings) > 1 and self._settings[1][0] <= now + 1e-9:
                self._settings.popleft()
            _, rms_a, block_c = self._settings[0]
            if len(self._settings) > 1:
                until = self._settings[1][0]
                left = min(left, max(1, math.ceil((until - now) * self._rate_hz)))
            track.forget_before(now - 0.01)
            starts = track.next_start_s(now)
            quiet = now - self._moved_until_s > REST_AFTER_S and starts > now
            may_rest = quiet and (
                (rms_a == 0.0 and self.extruder.force_n < 0.5)
                or self.extruder.may_rest(rms_a=rms_a)
            )
            if may_rest:
                if starts < math.inf:
                    left = min(left, max(1, math.floor((starts - now) * self._rate_hz)))
                n = min(left, int((CHUNK_S if ear else 60.0) * self._rate_hz))
                self._rest(n, rms_a=rms_a, block_c=block_c, ear=ear)
            else:
                n = min(left, int(CHUNK_S * self._rate_hz))
                self._move(n, now, rms_a=rms_a, block_c=block_c, ear=ear)

    def _move(self, n: int, now: float, *, rms_a: float, block_c: float, ear: Ear | None) -> None:
        times = self._origin_s + (self._samples + np.arange(n)) / self._rate_hz
        target = self.planner.track.positions(times)
        excitation = np.empty((2, n))
        self.extruder.run(target, start_s=now, rms_a=rms_a, block_c=block_c, excitation=excitation)
        self._samples += n
        if self.planner.track.moves_within(now, self.physics_s):
            self._moved_until_s = self.physics_s
        if ear is not None:
            self._hear(ear, excitation, moving=True, rms_a=rms_a, block_c=block_c, start_s=now)

    def _rest(self, n: int, *, rms_a: float, block_c: float, ear: Ear | None) -> None:
        now = self.physics_s
        self.extruder.rest(n / self._rate_hz, rms_a=rms_a, block_c=block_c)
        self._samples += n
        if ear is not None:
            still = np.empty((2, n))
            self._hear(ear, still, moving=False, rms_a=rms_a, block_c=block_c, start_s=now)

    def _hear(
        self, ear: Ear, excitation: NDArray[np.float64], *, moving: bool, rms_a: float,
        block_c: float, start_s: float,
    ) -> None:  # fmt: skip
        # The fan of the hot end turns while it is hot.
        fan = 1.0 if block_c > 50.0 else 0.0
        samples = ear.render(
            excitation, moving=moving, fan=fan, whine=rms_a / self.model.rated_current_a
        )
        if self._microphone is not None:
            self._microphone.take(samples, start_s)

    # -- microphone and encoder ---------------------------------------------------------------

    def microphone(self, sample_rate_hz: int = 48000) -> WorldMicrophone:
        """A microphone at the bench; only one is open at a time."""
        from rig.simulation.microphone import WorldMicrophone

        return WorldMicrophone(self, sample_rate_hz)

    def _connect_microphone(self, microphone: WorldMicrophone) -> None:
        from rig.simulation.ear import Ear, motor_scale, oversampling

        with self.lock:
            self.catch_up()
            rate = microphone.sample_rate_hz
            self._set_rate(rate * oversampling(rate))
            self._microphone = microphone
            self._ear = Ear(self.model, rate, self.seed, motor_scale(self.model))
            self._ear.state.misc[11] = 1.0 if self._block_c > 50.0 else 0.0

    def _disconnect_microphone(self, microphone: WorldMicrophone) -> None:
        with self.lock:
            if self._microphone is microphone:
                self.catch_up(sound=False)
                self._microphone = self._ear = None
