"""A small campaign on the virtual bench: one temperature, two currents, coarse."""

from __future__ import annotations

from rig.bench import Bench, parse_bench
from rig.campaign import CampaignResult
from rig.records import TrialOrder, TrialRecord
from rig.simulation.registry import prepare_world
from rig.view import Progress, RunView

TEXT = """
[motor]
rated_current_a = 1.0
holding_torque_nm = {torque_nm}
resistance_ohm = 2.4
inductance_mh = 3.0
rotor_inertia_g_cm2 = 14.0
[driver]
[drive]
gear_ratio = "50:17"
filament_per_turn_mm = 22.5
efficiency = 0.88
[filament]
name = "house PLA, grey"
available_m = 60.0
[hot_end]
name = "short brass"
nozzle_mm = 0.4
max_temperature_c = 260.0
[link]
port = "sim://harbour?seed={seed}&warm=205{options}"
[microphone]
device = "sim"
sample_rate_hz = 24000
[limits]
max_current_a = 0.9
max_speed_mm_s = 20.0
max_hours = {hours}
max_filament_m = {filament_m}
pile_litre = 2.0
[plan]
method = "{method}"
temperatures_c = [205.0]
currents_a = {currents}
start_speed_mm_s = 1.5
resolution = {resolution}
steady_s = 3.0
"""


def small_text(
    *,
    seed: int = 5,
    currents: str = "[0.35, 0.5]",
    hours: float = 2.0,
    filament_m: float = 10.0,
    resolution: float = 0.1,
    options: str = "",
    torque_nm: float = 0.13,
    method: str = "bisection",
) -> str:
    """The bench file."""
    return TEXT.format(
        seed=seed, currents=currents, hours=hours, filament_m=filament_m, resolution=resolution,
        options=options, torque_nm=torque_nm, method=method,
    )  # fmt: skip


def small_bench(**changes: object) -> Bench:
    """The bench."""
    return parse_bench(small_text(**changes))  # type: ignore[arg-type]


def firmware_state(bench: Bench) -> tuple[float, int]:
    """Target of the hot end in C and run current in mA, as the virtual firmware has them."""
    world = prepare_world(bench)
    return float(world.heater.target_c), int(world.firmware.registers.current_ma)


def check_thresholds(
    bench: Bench, result: CampaignResult, *, off: float = 0.03, wide: float = 1.3
) -> None:
    """Every current has a bracket of the width asked for, round the hidden threshold.

    A motor some 2 % above its threshold need not fall back once in so short a trial.
    """
    truth = prepare_world(bench).truth
    assert [t.current_a for t in result.thresholds] == list(bench.plan.currents_a)
    for threshold in result.thresholds:
        assert threshold.excluded is None
        assert threshold.clean_mm_s is not None
        assert threshold.skip_mm_s is not None
        true_mm_s = truth.threshold_mm_s(threshold.current_a, threshold.temperature_c)
        assert threshold.clean_mm_s < (1.0 + off) * true_mm_s
        assert threshold.skip_mm_s > (1.0 - off) * true_mm_s
        assert threshold.skip_mm_s / threshold.clean_mm_s < 1.0 + wide * bench.plan.resolution


class At(RunView):
    """Calls something when a given trial begins or has ended."""

    def __init__(self, do, *, begins: int | None = None, ended: int | None = None) -> None:
        self.do, self.at_begin, self.at_end = do, begins, ended

    def trial_begins(self, order: TrialOrder, progress: Progress) -> None:
        if order.number == self.at_begin:
            self.do()

    def trial_ended(self, record: TrialRecord) -> None:
        if record.number == self.at_end:
            self.do()
