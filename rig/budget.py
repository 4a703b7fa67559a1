"""What a plan costs, before anything heats: trials, time, filament and the pile it makes. Pure.

Two figures each: what is likely, and what it can come to at most.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from rig.errors import BenchFileError
from rig.mechanics import filament_area_mm2
from rig.release import RELEASE_REST_S, release_mm
from rig.search import SearchSettings, ThresholdSearch
from rig.trial import PRE_ROLL_S, TAIL_S, trial_length_mm

if TYPE_CHECKING:
    from rig.bench import Bench

#: Share of the volume of a loose pile of extruded strand that is plastic.
PILE_DENSITY = 0.07
#: Rates of a usual hot end, in K/s, and the time to become steady, in s.
_HEATING_K_S, _COOLING_K_S, _STEADY_S = 1.5, 0.4, 60.0
_ROOM_C = 25.0
#: Talk with the firmware and waiting for the temperature, a trial, in s.
_BETWEEN_S = 4.0
#: Share of the trials that skip (are broken off early, and primed after).
_SKIPPING = 0.5
_BROKEN_OFF_AT = 0.5
#: Trials of a search with a hint, against one without.
_WITH_HINT = 0.65
#: Voids that are reckoned with.
_VOIDS = 1.1


@dataclass(frozen=True, slots=True)
class Budget:
    """What a plan costs.

    Attributes:
        searches: Thresholds to be found.
        trials_likely: Trials, likely; ``trials_most`` at most (voids aside).
        seconds_likely: Time with heating, in s; ``seconds_most`` at most.
        filament_likely_mm: Filament, in mm; ``filament_most_mm`` at most.
        mass_g: Mass of the likely filament, in g.
        pile_litre: Loose volume of the likely filament, in litre.
        price_per_trial_mm: Mean filament of a trial with its priming, in mm.
        price_per_trial_s: Mean time of a trial, in s.
    """

    searches: int
    trials_likely: int
    trials_most: int
    seconds_likely: float
    seconds_most: float
    filament_likely_mm: float
    filament_most_mm: float
    mass_g: float
    pile_litre: float
    price_per_trial_mm: float
    price_per_trial_s: float

    def lines(self) -> list[str]:
        """The budget for a person."""
        return [
            f"{count(self.searches, 'threshold')} in about {count(self.trials_likely, 'trial')} "
            f"(at most {self.trials_most})",
            f"about {_hours(self.seconds_likely)} (at most {_hours(self.seconds_most)})",
            f"about {self.filament_likely_mm / 1000:.1f} m of filament "
            f"(at most {self.filament_most_mm / 1000:.1f} m), {self.mass_g:.0f} g, "
            f"a loose pile of about {self.pile_litre:.1f} litre",
        ]


def count(number: int, noun: str) -> str:
    """ "1 trial", "2 trials"."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def pile_litre(filament_mm: float, diameter_mm: float) -> float:
    """Volume of the loose pile that a filament length makes, in litre."""
    return filament_mm * filament_area_mm2(diameter_mm) / PILE_DENSITY * 1e-6


def filament_limit_mm(bench: Bench) -> float:
    """The filament that a run may use: the limit, the spool and the pile, whichever is least."""
    pile_mm = (
        bench.limits.pile_litre * PILE_DENSITY / filament_area_mm2(bench.filament.diameter_mm) * 1e6
    )
    return min(bench.limits.max_filament_m * 1e3, bench.filament.available_m * 1e3, pile_mm)


def plan_budget(bench: Bench, *, max_speed_mm_s: float | None = None) -> Budget:
    """What the bench's plan costs.

    Args:
        bench: The bench file.
        max_speed_mm_s: Greatest speed of the searches, in mm/s; by default that of the limits.
    """
    plan = bench.plan
    top = max_speed_mm_s or bench.limits.max_speed_mm_s
    search = ThresholdSearch(
        SearchSettings(start_mm_s=plan.start_speed_mm_s, max_mm_s=top, resolution=plan.resolution)
    )
    searches = len(plan.temperatures_c) * len(plan.currents_a) * plan.repeats
    likely = search.likely_left + (searches - 1) * max(3.0, _WITH_HINT * search.likely_left)
    trials_likely = math.ceil(likely * _VOIDS)
    trials_most = searches * search.most_trials
    # Thresholds are expected between the start speed and a fair part of the greatest.
    middle = math.sqrt(plan.start_speed_mm_s * top)
    length_mm = trial_length_mm(bench, speed_mm_s=middle, acceleration_mm_s2=None)
    length_top_mm = trial_length_mm(bench, speed_mm_s=top, acceleration_mm_s2=None)
    share = 1.0 - _SKIPPING + _SKIPPING * _BROKEN_OFF_AT
    price_mm = length_mm * share + _SKIPPING * plan.prime_mm
    price_s = (
        length_mm / middle * share
        + _SKIPPING * plan.prime_mm / prime_speed_mm_s(bench)
        + PRE_ROLL_S
        + TAIL_S
        + _BETWEEN_S
    )
    worst_s = (
        trial_length_mm(bench, speed_mm_s=plan.start_speed_mm_s, acceleration_mm_s2=None)
        / plan.start_speed_mm_s
        + release_mm(bench) / prime_speed_mm_s(bench)
        + RELEASE_REST_S
        + _BETWEEN_S
    )
    heating_s = heating_time_s(plan.temperatures_c)
    filament_mm = trials_likely * price_mm
    return Budget(
        searches=searches,
        trials_likely=trials_likely,
        trials_most=trials_most,
        seconds_likely=trials_likely * price_s + heating_s,
        seconds_most=trials_most * max(worst_s, price_s) + 2.0 * heating_s,
        filament_likely_mm=filament_mm,
        filament_most_mm=trials_most * (max(length_mm, length_top_mm) + release_mm(bench)),
        mass_g=filament_mm
        * filament_area_mm2(bench.filament.diameter_mm)
        * bench.filament.density_g_cm3
        * 1e-3,
        pile_litre=pile_litre(filament_mm, bench.filament.diameter_mm),
        price_per_trial_mm=price_mm,
        price_per_trial_s=price_s,
    )


def check_budget(
    bench: Bench, budget: Budget, *, used_mm: float = 0.0, used_s: float = 0.0
) -> None:
    """Whether the plan fits the limits.

    Raises:
        BenchFileError: It does not, even when all goes as it is likely to; one line a limit.
    """
    plan, limits = bench.plan, bench.limits
    cheaper = (
        f"plan: fewer currents or temperatures, a coarser plan.resolution ({plan.resolution:g}), "
        "or shorter trials"
    )
    faults: list[str] = []
    need_m = (used_mm + budget.filament_likely_mm) / 1000.0
    for allowed_m, what in (
        (limits.max_filament_m, "limits.max_filament_m"),
        (bench.filament.available_m, "filament.available_m"),
    ):
        if need_m > allowed_m:
            faults.append(
                f"the plan needs about {need_m:.1f} m of filament, {what} is {allowed_m:g} m; "
                f"{cheaper}"
            )
            break
    hours = (used_s + budget.seconds_likely) / 3600.0
    if hours > limits.max_hours:
        faults.append(
            f"the plan takes about {hours:.1f} hours, limits.max_hours is {limits.max_hours:g}; "
            f"{cheaper}"
        )
    pile = pile_litre(need_m * 1000.0, bench.filament.diameter_mm)
    if pile > limits.pile_litre:
        faults.append(
            f"the plan makes a loose pile of about {pile:.1f} litre, limits.pile_litre is "
            f"{limits.pile_litre:g}; {cheaper}"
        )
    if faults:
        raise BenchFileError("\n".join(faults))


def heating_time_s(temperatures_c: tuple[float, ...], *, from_c: float = _ROOM_C) -> float:
    """Time to go through the temperatures, in s."""
    total, now_c = 0.0, from_c
    for temperature_c in sorted(temperatures_c):
        apart_k = temperature_c - now_c
        total += apart_k / _HEATING_K_S if apart_k >= 0 else -apart_k / _COOLING_K_S
        total += _STEADY_S
        now_c = temperature_c
    return total


def prime_speed_mm_s(bench: Bench, *, clean_mm_s: float | None = None) -> float:
    """Speed at which fresh filament is fed: well below what is known to run clean, in mm/s."""
    if clean_mm_s is None:
        return bench.plan.start_speed_mm_s
    return max(0.5 * clean_mm_s, min(bench.plan.start_speed_mm_s, clean_mm_s))


def _hours(seconds: float) -> str:
    minutes = seconds / 60.0
    return f"{minutes:.0f} min" if minutes < 90.0 else f"{minutes / 60.0:.1f} h"
