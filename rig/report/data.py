"""What a report is made of, apart from where it is kept: the bench, the trials, the curves."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.curves.curveset import CurveSet
    from rig.curves.points import Threshold


@dataclass(frozen=True, slots=True)
class TrialRow:
    """One finished trial, as a reader wants to see it.

    Attributes:
        number: Running number in the run.
        temperature_c: Commanded nozzle temperature, in C.
        current_a: Commanded current, in the driver's own unit, in A.
        speed_mm_s: Commanded filament speed, in mm/s.
        verdict: ``clean``, ``skip``, ``slip`` or ``void``.
        reason: Reason code of the verdict.
        p_skip: Probability that the motor skipped, 0 to 1; None where not known.
        clicks: Number of clicks heard as a train.
        purpose: What the trial was for ("bracket", "repeat", ...); empty where not known.
        started: When it started, as text.
        duration_s: How long the motion lasted, in s.
        filament_mm: Filament fed, in mm.
        least_c: Lowest temperature in the trial, in C.
        most_c: Highest temperature in the trial, in C.
        explanation: One sentence of the judge.
        audio: Sound file of the trial, where it was kept.
        motion_s: Start and end of the commanded motion in the sound file, in s.
        click_times_s: Times of the clicks in the sound file, in s.
        first_skip_s: Time of the first click of the train in the sound file, in s.
        decided_s: When the verdict fell, in the sound file, in s.
        step_rate_hz: Commanded full-step rate, in Hz.
    """

    number: int
    temperature_c: float
    current_a: float
    speed_mm_s: float
    verdict: str
    reason: str = ""
    p_skip: float | None = None
    clicks: int = 0
    purpose: str = ""
    started: str = ""
    duration_s: float | None = None
    filament_mm: float | None = None
    least_c: float | None = None
    most_c: float | None = None
    explanation: str = ""
    audio: Path | None = None
    motion_s: tuple[float, float] | None = None
    click_times_s: tuple[float, ...] = ()
    first_skip_s: float | None = None
    decided_s: float | None = None
    step_rate_hz: float | None = None


@dataclass(frozen=True, slots=True)
class ReportData:
    """Everything on one page.

    Attributes:
        bench: The bench that measured; None for curves from a bare table.
        curves: What was fitted; None while there is nothing to fit.
        trials: All trials in order.
        thresholds: The thresholds found so far (shown where there are no curves yet).
        simulated: Whether a virtual bench made the measurement.
        started: When the run started, as text.
        ended: When it ended, as text; empty while it has not.
        finished: Whether the plan was worked through.
        warnings: Sentences to beware of, beside those of the curves.
        name: Name of the run.
        facts: More lines for the head of the page: label and text.
    """

    bench: Bench | None = None
    curves: CurveSet | None = None
    trials: tuple[TrialRow, ...] = ()
    thresholds: tuple[Threshold, ...] = ()
    simulated: bool = False
    started: str = ""
    ended: str = ""
    finished: bool = True
    warnings: tuple[str, ...] = ()
    name: str = ""
    facts: tuple[tuple[str, str], ...] = ()

    @property
    def filament_mm(self) -> float:
        """Filament fed by all trials together, in mm."""
        return sum(trial.filament_mm or 0.0 for trial in self.trials)

    def brackets(self) -> tuple[Threshold, ...]:
        """The thresholds found: as given, else those behind the curves."""
        if self.thresholds or self.curves is None:
            return self.thresholds
        return tuple(p.threshold for curve in self.curves.curves for p in curve.points)

    def count(self, verdict: str) -> int:
        """Number of trials with a verdict."""
        return sum(trial.verdict == verdict for trial in self.trials)
