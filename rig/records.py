"""What is asked of a trial, and what is kept of it: plain frozen records."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from detectors.evidence import Reason, Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialOrder:
    """One move to be made and judged.

    Attributes:
        temperature_c: Nozzle temperature, in C.
        current_a: Run current, in the driver's own unit, in A.
        speed_mm_s: Filament speed of the steady part, in mm/s.
        length_mm: Filament length of the move, in mm.
        settle_s: Seconds after the ramp in which the pressure builds up, in s.
        prime_mm: Fresh filament fed slowly before the trial, in mm; 0 for none.
        prime_speed_mm_s: Speed of that, in mm/s.
        purpose: What the trial is for: ``bracket``, ``bisect``, ``confirm``, ``limit``, ``learn``,
            ``scout`` (a short one).
        repeat: Number of the repeat that it belongs to.
        attempt: 1, and one more for each void before it.
        number: Number that the ledger will give it (names the sound file).
    """

    temperature_c: float
    current_a: float
    speed_mm_s: float
    length_mm: float
    settle_s: float = 0.5
    prime_mm: float = 0.0
    prime_speed_mm_s: float = 1.0
    purpose: str = "bisect"
    repeat: int = 0
    attempt: int = 1
    number: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class TrialRecord:
    """A finished trial. Times within the trial count from the first sample of its sound file.

    Attributes:
        order: What was asked.
        verdict: One of the four words.
        reason: Its code.
        p_skip: Probability that the motor skipped.
        explanation: One sentence.
        started: UTC, ISO 8601.
        applied_a: RMS current that the driver makes of the commanded one, in A.
        read_back_a: Current that the firmware had after the trial, in the driver's own unit, in A;
            None where it does not tell.
        least_c: Lowest temperature reported from the pre-roll to the end, in C.
        most_c: Highest temperature reported, in C.
        measured_s: Duration of the motion as measured, in s.
        expected_s: Duration that length, speed and acceleration ask for, in s.
        filament_mm: Filament used, priming included, in mm.
        broken_off: Whether the move was ended early.
        anomalies: What made the rig doubt the move, a sentence each.
        motion_s: Start and end of the motion, in s.
        first_skip_s: First click of the train, in s; None where there is none.
        decided_s: Time at which the verdict fell, in s.
        click_times_s: Clicks of the train, in s.
        heard: Fraction of the steady part in which the motor was heard.
        lost_mm: Length lost by the encoder, in mm; None without one.
        details: The judge's figures.
        prime_current_a: Current at which fresh filament was fed, in the driver's own unit, in A:
            the higher one of this trial and the one before; None where none was fed.
        rested_s: Rest at that current before the trial's own lower one was set, in s.
        audio: Path of the sound file within the run folder; "" where none was kept.
        step_rate_hz: Commanded full-step rate, in Hz.
        wall_s: Seconds that the trial took altogether, priming and waiting included.
        number: Number in the ledger; 0 before it is there.
    """

    order: TrialOrder
    verdict: Verdict
    reason: Reason
    p_skip: float
    explanation: str = ""
    started: str = ""
    applied_a: float | None = None
    read_back_a: float | None = None
    least_c: float | None = None
    most_c: float | None = None
    measured_s: float | None = None
    expected_s: float = 0.0
    filament_mm: float = 0.0
    broken_off: bool = False
    anomalies: tuple[str, ...] = ()
    motion_s: tuple[float, float] = (0.0, 0.0)
    first_skip_s: float | None = None
    decided_s: float | None = None
    click_times_s: tuple[float, ...] = ()
    heard: float = 0.0
    lost_mm: float | None = None
    details: Mapping[str, float] = field(default_factory=dict)
    prime_current_a: float | None = None
    rested_s: float = 0.0
    audio: str = ""
    step_rate_hz: float = 0.0
    wall_s: float = 0.0
    number: int = 0
