"""What the last move leaves in the melt, and when it has to go."""

from __future__ import annotations

import pytest

from rig.release import LastMove, leaves_too_much


@pytest.mark.parametrize(
    ("last", "too_much"),
    [
        (None, False),
        (LastMove(0.8, 3.0, clean=True), True),  # faster, at more current
        (LastMove(0.8, 1.5, clean=True), False),  # no faster: this one makes as much itself
        (LastMove(0.3, 3.0, clean=True), False),  # what less current could do is no burden
        (LastMove(0.3, 3.0, clean=False), True),  # what it could not do may be one
        (LastMove(0.2, 3.0, clean=False), True),
        (LastMove(0.8, 1.5, clean=False), False),
    ],
)
def test_what_was_faster_and_is_not_known_to_be_held_has_to_go(
    last: LastMove | None, too_much: bool
) -> None:
    assert leaves_too_much(last, current_a=0.3, speed_mm_s=1.5) is too_much
