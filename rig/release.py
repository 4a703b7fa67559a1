"""What the last move may have left in the melt, and whether it has to go before the next. Pure.

After a fast move the melt is under pressure, and colder than a slower one would find it. A motor at
less current that starts into that skips at speeds that it would hold, for as long as it takes to
push that melt out.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from rig.bench import Bench

#: Least length fed slowly before a slower move, in mm: at a usual start speed six seconds, in which
#: heat goes through the filament (some two seconds to a factor e) and the melt is pushed on.
RELEASE_MM = 6.0
#: Rest at the old current before a lower one is set, in s: the pressure goes by the nozzle.
RELEASE_REST_S = 2.0


@dataclass(frozen=True, slots=True)
class LastMove:
    """The move before: current in A, filament speed in mm/s, and whether it was judged clean."""

    current_a: float
    speed_mm_s: float
    clean: bool


def leaves_too_much(last: LastMove | None, *, current_a: float, speed_mm_s: float) -> bool:
    """Whether the last move may have left more force than a move that runs clean would make.

    A move that was no faster leaves no more force and no colder melt than this one makes itself.
    What was clean at this current or at less is no burden either.
    """
    if last is None or last.speed_mm_s <= speed_mm_s:
        return False
    return not (last.clean and last.current_a <= current_a)


def release_mm(bench: Bench) -> float:
    """Length that is fed slowly to get rid of what the last move left, in mm."""
    return max(bench.plan.prime_mm, RELEASE_MM)


def fresh_mm(
    bench: Bench, last: LastMove | None, *, current_a: float, speed_mm_s: float, wanted: bool
) -> float:
    """Fresh filament before a move, in mm: where it is wanted, and to release what the last left.

    Args:
        bench: The bench file.
        last: The move before.
        current_a: Current of the move, in A.
        speed_mm_s: Its filament speed.
        wanted: Whether fresh filament is wanted for another reason, as after a skip.
    """
    if leaves_too_much(last, current_a=current_a, speed_mm_s=speed_mm_s):
        return release_mm(bench)
    return bench.plan.prime_mm if wanted else 0.0
