"""Hearing one trial: sound and counts to the judge and the recorder, and how late the sound is."""

from __future__ import annotations

import math
from collections import deque
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from detectors.errors import SourceLostError
from detectors.evidence import FilamentCount, Judgement, SoundBlock
from detectors.onset import sound_lag_s
from rig.audio import Recorder

if TYPE_CHECKING:
    from detectors.decision import Judge
    from rig.station import Station

#: Longest wait for sound that does not come, in s.
DEAF_S = 3.0


@dataclass(slots=True)
class Hearing:
    """What is heard and counted during one trial, and passed on."""

    station: Station
    recorder: Recorder | None
    judge: Judge | None = None
    early: deque[SoundBlock] = field(default_factory=deque)
    heard_to_s: float = -math.inf
    lost: str | None = None
    lag_s: float = 0.0
    sounds: list[SoundBlock] = field(default_factory=list)
    readings: list[FilamentCount] = field(default_factory=list)

    def listen(self, wait_s: float = 0.0) -> bool:
        """Take everything that is there, waiting at most ``wait_s`` s for the first block."""
        source = self.station.sound
        if source is None or self.lost is not None:
            return False
        got = False
        try:
            while (block := source.read(0.0 if got else wait_s)) is not None:
                got = True
                self._take(block, source.sample_rate_hz)
        except SourceLostError as error:
            self.lost = str(error)
        return got

    def _take(self, block: SoundBlock, rate_hz: int) -> None:
        if self.recorder is not None:
            self.recorder.write(block)
        # From here on a block has the time at which its sound was made.
        block = replace(block, start_s=block.start_s - self.lag_s)
        self.heard_to_s = block.start_s + len(block.samples) / rate_hz
        self.sounds.append(block)
        if self.judge is None:
            self.early.append(block)
        else:
            self.judge.hear(block)

    def count(self) -> None:
        """Pass on the filament counts that came."""
        counts = self.station.counts
        if counts is None or self.judge is None:
            return
        for reading in counts.read():
            self.readings.append(reading)
            self.judge.count(reading)

    def begin(self, judge: Judge) -> None:
        """The motion has begun: what was heard before goes to the judge now."""
        self.judge = judge
        while self.early:
            judge.hear(self.early.popleft())

    def late_by(self, started_s: float, step_rate_hz: float) -> float | None:
        """How much later than reckoned the sound came, in s; None where that cannot be told."""
        source = self.station.sound
        if source is None:
            return None
        return sound_lag_s(
            self.sounds,
            sample_rate_hz=source.sample_rate_hz,
            start_s=started_s,
            step_rate_hz=step_rate_hz,
        )

    def judge_again(self, judge: Judge, late_s: float) -> Judgement:
        """What a fresh judge says of the same trial, its sound moved to where it belongs."""
        for block in self.sounds:
            judge.hear(replace(block, start_s=block.start_s - late_s))
        for reading in self.readings:
            judge.count(reading)
        return judge.finish()

    def hear_until(self, time_s: float) -> None:
        """Listen until the sound of ``time_s`` is in, or it does not come."""
        station = self.station
        if station.sound is None:
            station.clock.sleep(max(0.0, time_s - station.clock.now()))
            return
        given_up_s = max(time_s, station.clock.now()) + DEAF_S
        while self.heard_to_s < time_s and self.lost is None:
            station.printer.link.pump(0.0)
            if not self.listen(0.05) and station.clock.now() > given_up_s:
                self.lost = f"no sound for {DEAF_S:g} s"
            self.count()
            station.look()
