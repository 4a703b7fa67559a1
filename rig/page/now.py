"""What is over in a moment and not in the ledger: phase, temperature, trial under way.

A running campaign tells it to a `NowView`, which keeps it in a small file beside the ledger. The
live page reads that file; nothing else depends on it, and a disk that cannot take it disturbs no
run.
"""

from __future__ import annotations

import contextlib
import json
import os
import time
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from rig.ledger import now_text
from rig.view import RunView

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.budget import Budget
    from rig.ledger import SearchRow
    from rig.records import TrialOrder, TrialRecord
    from rig.view import Progress

FILE_NAME = "now.json"
#: Least time between two writes for a temperature alone, in s.
QUIET_S = 0.5


class NowView(RunView):
    """Keeps ``now.json`` in a run folder up to date while the campaign runs.

    Args:
        folder: The run folder; made by the campaign before anything is told.
        clock_s: Monotonic seconds, for the least time between writes.
    """

    def __init__(
        self, folder: str | Path, *, clock_s: Callable[[], float] = time.monotonic
    ) -> None:
        self.path = Path(folder) / FILE_NAME
        self._clock_s = clock_s
        self._written_s = -QUIET_S
        self._now: dict[str, Any] = {}

    def begin(self, bench: Bench, budget: Budget, finished: list[TrialRecord]) -> None:
        del bench, budget, finished
        self._now = {}
        self._write()

    def phase(self, text: str) -> None:
        self._now["phase"] = text
        self._now["trial"] = None
        self._write()

    def temperature(self, actual_c: float, target_c: float | None) -> None:
        self._now["actual_c"], self._now["target_c"] = actual_c, target_c
        if self._clock_s() - self._written_s >= QUIET_S:
            self._write()

    def trial_begins(self, order: TrialOrder, progress: Progress) -> None:
        self._now["phase"] = None
        self._now["trial"] = asdict(order)
        self._now["progress"] = asdict(progress)
        self._write()

    def trial_ended(self, record: TrialRecord) -> None:
        del record
        self._now["trial"] = None
        self._write()

    def threshold(self, row: SearchRow) -> None:
        """In the ledger already."""

    def note(self, text: str) -> None:
        self._now["note"] = {"time": now_text(), "text": text}
        self._write()

    def end(self, text: str) -> None:
        """The moment is over; what is left is in the ledger."""
        del text
        with contextlib.suppress(OSError):
            self.path.unlink(missing_ok=True)

    def _write(self) -> None:
        self._written_s = self._clock_s()
        scratch = self.path.with_suffix(".new")
        # Only for looking at: a run never fails for it.
        with contextlib.suppress(OSError, ValueError):
            scratch.write_text(json.dumps({**self._now, "time": now_text()}), encoding="utf-8")
            os.replace(scratch, self.path)


def read_now(folder: Path) -> dict[str, Any] | None:
    """What ``now.json`` says; None where there is none or it cannot be read."""
    try:
        content = json.loads((folder / FILE_NAME).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return content if isinstance(content, dict) else None
