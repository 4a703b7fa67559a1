"""The words the detectors use: what was commanded, what was observed, what is concluded.

All times are seconds on one time base. Live, that is the rig's clock; in replay it counts from the
first sample of the file. Blocks carry their own start time, so the judge never asks which.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray


class Verdict(StrEnum):
    """The four words a trial can end with."""

    CLEAN = "clean"  #: heard at the commanded step rate throughout, and did not skip
    SKIP = "skip"  #: the motor fell out of step
    SLIP = "slip"  #: filament length lost without skipping: the grip failed, not the torque
    VOID = "void"  #: cannot be trusted; the reason says why


class Reason(StrEnum):
    """Why a verdict is what it is; one code a verdict, stable for scripts."""

    # clean, skip, slip
    HEARD_THROUGHOUT = "heard-throughout"
    MEASURED_THROUGHOUT = "measured-throughout"  #: by the encoder alone
    CLICK_TRAIN = "click-train"
    STALL_TONE = "stall-tone"
    LENGTH_LOST_IN_STEPS = "length-lost-in-steps"
    LENGTH_LOST_SMOOTHLY = "length-lost-smoothly"
    # void: the sound
    SILENT = "silent"  #: digital silence or a dead microphone
    CLIPPED = "clipped"  #: overdriven input
    STREAM_LOST = "stream-lost"  #: a gap, an overflow or an early end inside the move
    MOTOR_NOT_HEARD = "motor-not-heard"  #: the commanded step tone is not in the sound
    WRONG_STEP_RATE = "wrong-step-rate"  #: a step tone is there, at another rate than commanded
    TOO_NOISY = "too-noisy"  #: the background hides what would have to be heard
    UNSURE = "unsure"  #: the evidence decides for neither side
    TOO_SHORT = "too-short"  #: not enough steady motion to judge
    UNREADABLE = "unreadable"  #: the file cannot be read
    # void: the encoder, and both together
    ENCODER_LOST = "encoder-lost"
    ENCODER_IMPLAUSIBLE = "encoder-implausible"
    WITNESSES_DISAGREE = "witnesses-disagree"
    # void: said by the rig about its own doing (never by a detector)
    MOVE_TIME = "move-time"  #: measured move time against the commanded one
    REFUSED = "refused"  #: the firmware refused a move
    SETTINGS_CHANGED = "settings-changed"  #: current or another setting differs after the trial
    FIRMWARE_RESET = "firmware-reset"
    TEMPERATURE = "temperature"  #: out of the band during the trial
    BROKEN_OFF = "broken-off"  #: stopped by the rig before anything could be concluded


@dataclass(frozen=True, slots=True)
class MotorGeometry:
    """What ties commanded filament speed to the motor's step rate.

    Attributes:
        steps_per_turn: Full steps a turn of the motor (200 for a 1.8 degree motor).
        filament_per_motor_turn_mm: Filament fed a turn of the motor, in mm (drive gear
            circumference over gear ratio).
        gear_ratio: Driven over driving teeth; 1 where the drive gear sits on the motor.
    """

    steps_per_turn: int
    filament_per_motor_turn_mm: float
    gear_ratio: float = 1.0

    @property
    def filament_per_cycle_mm(self) -> float:
        """Filament per electrical cycle (four full steps), in mm."""
        return self.filament_per_motor_turn_mm * 4.0 / self.steps_per_turn

    def turn_s(self, speed_mm_s: float) -> float:
        """Duration of a turn of the motor in s at a filament speed in mm/s."""
        return self.steps_per_turn / self.step_rate_hz(speed_mm_s)

    def step_rate_hz(self, speed_mm_s: float) -> float:
        """Full steps per second at a filament speed in mm/s."""
        return speed_mm_s / self.filament_per_motor_turn_mm * self.steps_per_turn

    def electrical_rate_hz(self, speed_mm_s: float) -> float:
        """Electrical cycles per second at a filament speed in mm/s."""
        return speed_mm_s / self.filament_per_cycle_mm


@dataclass(frozen=True, slots=True)
class CommandedMotion:
    """One move as it was commanded, on the time base of the blocks.

    Attributes:
        speed_mm_s: Filament speed of the steady part, in mm/s.
        start_s: When motion was commanded to begin, in s.
        end_s: When motion is due to end, in s; may be ``math.inf`` while not yet known.
        ramp_s: Duration of the acceleration (and of the deceleration), in s.
        settle_s: Time after the ramp in which melt pressure builds up: watched, not judged for
            ``clean``, in s.
        current_a: Commanded run current, RMS A, where known (it moves the rotor's resonance).
    """

    speed_mm_s: float
    start_s: float
    end_s: float = math.inf
    ramp_s: float = 0.0
    settle_s: float = 0.0
    current_a: float | None = None


@dataclass(frozen=True, slots=True)
class SoundBlock:
    """A run of mono samples.

    Attributes:
        samples: Shape (n,), float32, full scale is 1.0.
        start_s: Time of the first sample, in s.
        lost: Whether samples were lost between the block before and this one.
    """

    samples: NDArray[np.float32]
    start_s: float
    lost: bool = False


@dataclass(frozen=True, slots=True)
class FilamentCount:
    """One reading of the filament encoder.

    Attributes:
        time_s: Time of the reading on the common time base, in s (from the board's own stamps).
        count: Signed counts since the encoder started.
        lost: Whether readings were lost or the counter restarted before this one.
    """

    time_s: float
    count: int
    lost: bool = False


@dataclass(frozen=True, slots=True)
class Judgement:
    """What is concluded of one move, and on which evidence.

    Attributes:
        verdict: One of the four words.
        reason: Stable code, see `Reason`.
        p_skip: Calibrated probability that the motor skipped, 0 to 1.
        first_skip_s: Time of the first click of the train, in s; None where there is none.
        decided_s: Time up to which the judge had listened when the verdict fell, in s.
        click_times_s: Times of the clicks that belong to the train, in s.
        heard: Fraction of the judged steady part in which the motor was heard at its rate, 0 to 1.
        lost_mm: Filament length lost, in mm, where an encoder saw it.
        explanation: One sentence for a person.
        details: Named figures behind the verdict (levels in dB, statistics), for the ledger.
    """

    verdict: Verdict
    reason: Reason
    p_skip: float
    decided_s: float
    first_skip_s: float | None = None
    click_times_s: tuple[float, ...] = ()
    heard: float = 0.0
    lost_mm: float | None = None
    explanation: str = ""
    details: Mapping[str, float] = field(default_factory=dict)

    @property
    def clicks(self) -> int:
        """Number of clicks that belong to the train."""
        return len(self.click_times_s)
