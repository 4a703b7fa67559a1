"""How often a room clicks by itself, from trial to trial of one session."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from detectors.evidence import Verdict

if TYPE_CHECKING:
    from detectors.decision import Judge
    from detectors.evidence import Judgement

#: The room's habits are remembered for so many seconds of listening.
ROOM_MEMORY_S = 240.0


@dataclass(slots=True)
class RoomMemory:
    """How often the room clicks by itself, from what was heard while the motor rested or ran well.

    Attributes:
        clicks: Clicks heard; fractions, because old ones fade.
        heard_s: Seconds listened to for them.
    """

    clicks: float = 0.0
    heard_s: float = 0.0

    def add(self, clicks: float, heard_s: float) -> None:
        """Take what one more trial told; the room of long ago counts for less."""
        self.clicks += clicks
        self.heard_s += heard_s
        if self.heard_s > ROOM_MEMORY_S:
            fade = ROOM_MEMORY_S / self.heard_s
            self.clicks, self.heard_s = self.clicks * fade, ROOM_MEMORY_S

    def remember(self, judge: Judge, judgement: Judgement) -> None:
        """Clicks at rest are the room's, and so are the few in a move that was clean."""
        listener = judge.listener
        if listener is None:
            return
        self.add(*judge.room())
        if judgement.verdict is Verdict.CLEAN:
            seconds = max(0.0, judge.motion.end_s - listener.steady_from_s)
            least = judge.settings.click_score_db
            self.add(sum(c.click.score_db >= least for c in listener.move.clicks), seconds)
