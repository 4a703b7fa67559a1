"""The firmware's motion planner for one extruder axis: queue, junctions, trapezoids, full stops.

Positions are filament millimetres as the stepper pulses say (after all multipliers), times are
world seconds. What has been decided is kept as phases of constant acceleration, the `Track`, that
the physics follows later.
"""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

START_DELAY_S = 0.1  # the first move after an idle queue waits for company, but not longer
MIN_SEGMENT_S = 0.02
MIN_STEPS = 6


@dataclass(frozen=True, slots=True)
class Phase:
    """Motion of constant acceleration."""

    start_s: float
    duration_s: float
    position_mm: float
    speed_mm_s: float
    acceleration_mm_s2: float

    @property
    def end_s(self) -> float:
        """When it ends."""
        return self.start_s + self.duration_s

    def at(self, age_s: float) -> float:
        """Position ``age_s`` after the start, in mm."""
        return self.position_mm + age_s * (self.speed_mm_s + 0.5 * self.acceleration_mm_s2 * age_s)


@dataclass(slots=True)
class Track:
    """Commanded position over time; phases older than what was asked for last may be forgotten."""

    phases: deque[Phase] = field(default_factory=deque)
    rest_mm: float = 0.0  # position before the first phase

    def positions(self, times_s: NDArray[np.float64]) -> NDArray[np.float64]:
        """Commanded positions at rising times, in mm."""
        out = np.full(times_s.shape, self.rest_mm)
        for phase in self.phases:
            first = int(np.searchsorted(times_s, phase.start_s))
            if first >= times_s.size:
                break
            age = np.minimum(times_s[first:] - phase.start_s, phase.duration_s)
            out[first:] = phase.position_mm + age * (
                phase.speed_mm_s + 0.5 * phase.acceleration_mm_s2 * age
            )
        return out

    def moves_within(self, start_s: float, end_s: float) -> bool:
        """Whether any motion falls into the span."""
        return any(p.start_s < end_s and p.end_s > start_s for p in self.phases)

    def next_start_s(self, after_s: float) -> float:
        """When motion next goes on after a time (that time itself while it moves)."""
        for phase in self.phases:
            if phase.end_s > after_s:
                return max(after_s, phase.start_s)
        return math.inf

    def forget_before(self, time_s: float) -> None:
        """Drop phases that ended before a time."""
        while self.phases and self.phases[0].end_s <= time_s:
            phase = self.phases.popleft()
            self.rest_mm = phase.at(phase.duration_s)

    def cut_at(self, time_s: float) -> float:
        """Stop dead at a time; returns the position there."""
        while self.phases and self.phases[-1].start_s >= time_s:
            self.phases.pop()
        if self.phases and self.phases[-1].end_s > time_s:
            last = self.phases.pop()
            self.phases.append(
                Phase(
                    last.start_s, time_s - last.start_s, last.position_mm, last.speed_mm_s,
                    last.acceleration_mm_s2,
                )
            )  # fmt: skip
        if self.phases:
            return self.phases[-1].at(self.phases[-1].duration_s)
        return self.rest_mm


@dataclass(slots=True)
class Block:
    """One queued move."""

    distance_mm: float
    nominal_mm_s: float
    acceleration_mm_s2: float
    entry_limit_mm_s: float = 0.0
    entry_mm_s: float = 0.0
    exit_mm_s: float = 0.0


@dataclass(slots=True)
class Planner:
    """Moves in, phases out.

    Attributes:
        steps_per_mm: For the shortest move that is still made.
        capacity: How many moves it holds, the running one included.
        track: What it has decided.
    """

    steps_per_mm: float
    capacity: int = 16
    track: Track = field(default_factory=Track)
    _queue: deque[Block] = field(default_factory=deque)
    _running: Block | None = None
    _running_end_s: float = 0.0
    _start_s: float = math.inf
    _end_mm: float = 0.0
    _owed_mm: float = 0.0

    @property
    def held(self) -> int:
        """Moves in the buffer, the running one included."""
        return len(self._queue) + (self._running is not None)

    @property
    def has_room(self) -> bool:
        """Whether another move is taken."""
        return self.held < self.capacity

    @property
    def idle(self) -> bool:
        """Whether nothing is queued or running."""
        return self.held == 0

    @property
    def next_event_s(self) -> float:
        """When it has to be run next."""
        return self._running_end_s if self._running is not None else self._start_s

    def speed_mm_s(self) -> float:
        """Nominal speed of the running move, 0 when none."""
        if self._running is None:
            return 0.0
        return math.copysign(self._running.nominal_mm_s, self._running.distance_mm)

    def add(
        self, *, distance_mm: float, speed_mm_s: float, acceleration_mm_s2: float, now_s: float
    ) -> bool:
        """Queue a move; the caller has seen to `has_room`. False where it was too short to make."""
        distance_mm += self._owed_mm
        if abs(distance_mm) * self.steps_per_mm < MIN_STEPS:
            self._owed_mm = distance_mm
            return False
        self._owed_mm = 0.0
        length = abs(distance_mm)
        segment_s = length / speed_mm_s
        if 2 <= self.held < self.capacity // 2 and segment_s < MIN_SEGMENT_S:
            segment_s += 2.0 * (MIN_SEGMENT_S - segment_s) / self.held
            speed_mm_s = length / segment_s
        block = Block(distance_mm, speed_mm_s, acceleration_mm_s2)
        before = self._queue[-1] if self._queue else self._running
        if before is not None and before.distance_mm * distance_mm > 0.0:
            block.entry_limit_mm_s = min(before.nominal_mm_s, speed_mm_s)
        self._queue.append(block)
        if self._running is None and (
            self._start_s == math.inf or len(self._queue) >= 3 or not self.has_room
        ):
            first = len(self._queue) == 1
            self._start_s = now_s + START_DELAY_S if first else min(self._start_s, now_s)
        self._plan()
        return True

    def _plan(self) -> None:
        """Entry and exit speeds from the end backwards, then forwards within each acceleration."""
        after = 0.0
        for block in reversed(self._queue):
            block.exit_mm_s = after
            reach = math.sqrt(after**2 + 2.0 * block.acceleration_mm_s2 * abs(block.distance_mm))
            block.entry_mm_s = min(block.entry_limit_mm_s, reach)
            after = block.entry_mm_s
        # A running move keeps the exit it was started with.
        entry = self._running.exit_mm_s if self._running is not None else 0.0
        for block in self._queue:
            block.entry_mm_s = min(block.entry_mm_s, entry)
            reach = math.sqrt(
                block.entry_mm_s**2 + 2.0 * block.acceleration_mm_s2 * abs(block.distance_mm)
            )
            block.exit_mm_s = min(block.exit_mm_s, reach, block.nominal_mm_s)
            entry = block.exit_mm_s

    def run(self, now_s: float) -> None:
        """Do what was due up to ``now_s``: end the running move, start the next."""
        while self.next_event_s <= now_s:
            at = self.next_event_s
            self._running = None
            self._start_s = math.inf
            if not self._queue:
                continue
            block = self._queue.popleft()
            self._running = block
            self._running_end_s = self._lay_track(block, at)

    def _lay_track(self, block: Block, start_s: float) -> float:
        """Append the trapezoid of a block; returns when it ends."""
        length = abs(block.distance_mm)
        sign = math.copysign(1.0, block.distance_mm)
        a = block.acceleration_mm_s2
        entry, exit_speed = block.entry_mm_s, block.exit_mm_s
        top2 = a * length + 0.5 * (entry**2 + exit_speed**2)
        top = min(block.nominal_mm_s, math.sqrt(max(top2, 0.0)))
        top = max(top, entry, exit_speed)
        up_mm = (top**2 - entry**2) / (2.0 * a)
        down_mm = (top**2 - exit_speed**2) / (2.0 * a)
        cruise_mm = max(0.0, length - up_mm - down_mm)
        at, position = start_s, self._end_mm
        for travel, speed, acceleration, duration in (
            (up_mm, entry, a, (top - entry) / a),
            (cruise_mm, top, 0.0, cruise_mm / top if top > 0.0 else 0.0),
            (down_mm, top, -a, (top - exit_speed) / a),
        ):
            if duration > 1e-9:
                self.track.phases.append(
                    Phase(at, duration, position, sign * speed, sign * acceleration)
                )
                at += duration
                position += sign * travel
        self._end_mm += block.distance_mm
        return at

    def stop_now(self, now_s: float) -> None:
        """Throw everything away and stop dead."""
        self._queue.clear()
        self._running = None
        self._start_s = math.inf
        self._owed_mm = 0.0
        self._end_mm = self.track.cut_at(now_s)
