"""What a person sees of a running campaign: a live picture on a terminal, plain lines elsewhere.

Nothing here is imported heavily before a live view begins.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from typing import IO, TYPE_CHECKING, Any

from detectors.evidence import Verdict

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.budget import Budget
    from rig.ledger import SearchRow
    from rig.records import TrialOrder, TrialRecord

#: One sign and colour a verdict; a sign of its own each, so that no one depends on colours.
SIGNS: dict[Verdict, tuple[str, str]] = {
    Verdict.CLEAN: ("o", "cyan"),
    Verdict.SKIP: ("x", "yellow"),
    Verdict.SLIP: ("~", "magenta"),
    Verdict.VOID: ("?", "bright_black"),
}
_ROWS = 12
#: Least time between two pictures, in s.
_REFRESH_S = 0.25


@dataclass(frozen=True, slots=True, kw_only=True)
class Progress:
    """How far the campaign is.

    Attributes:
        trials: Finished trials.
        most_left: Bound on the trials still to come (voids aside).
        likely_left: Trials that are probably still to come.
        seconds_left: Likely time left, in s.
        filament_mm: Filament used, in mm.
        filament_left_mm: Filament that the limits leave, in mm.
    """

    trials: int
    most_left: int
    likely_left: int
    seconds_left: float
    filament_mm: float
    filament_left_mm: float

    def text(self) -> str:
        """In one line."""
        return (
            f"{self.trials} trials done, at most {self.most_left} left "
            f"(likely {self.likely_left}, about {duration(self.seconds_left)}); filament "
            f"{self.filament_mm / 1000:.2f} m used, {self.filament_left_mm / 1000:.1f} m allowed"
        )


def duration(seconds: float) -> str:
    """A duration as a person says it."""
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    return f"{seconds / 3600:.1f} h"


class RunView:
    """What a campaign tells; this one keeps silent. Other views override what they show."""

    def begin(self, bench: Bench, budget: Budget, finished: list[TrialRecord]) -> None:
        """The campaign begins (or goes on after ``finished`` trials)."""

    def phase(self, text: str) -> None:
        """What is done now, in a few words."""

    def temperature(self, actual_c: float, target_c: float | None) -> None:
        """The hot end was measured."""

    def trial_begins(self, order: TrialOrder, progress: Progress) -> None:
        """A trial begins."""

    def trial_ended(self, record: TrialRecord) -> None:
        """A trial is finished and on disk."""

    def threshold(self, row: SearchRow) -> None:
        """A search is over."""

    def note(self, text: str) -> None:
        """Something a person should know."""

    def end(self, text: str) -> None:
        """The campaign is over, one way or the other."""


class Views(RunView):
    """Several views at once."""

    def __init__(self, *views: RunView) -> None:
        self.views = views

    def begin(self, bench: Bench, budget: Budget, finished: list[TrialRecord]) -> None:
        for view in self.views:
            view.begin(bench, budget, finished)

    def phase(self, text: str) -> None:
        for view in self.views:
            view.phase(text)

    def temperature(self, actual_c: float, target_c: float | None) -> None:
        for view in self.views:
            view.temperature(actual_c, target_c)

    def trial_begins(self, order: TrialOrder, progress: Progress) -> None:
        for view in self.views:
            view.trial_begins(order, progress)

    def trial_ended(self, record: TrialRecord) -> None:
        for view in self.views:
            view.trial_ended(record)

    def threshold(self, row: SearchRow) -> None:
        for view in self.views:
            view.threshold(row)

    def note(self, text: str) -> None:
        for view in self.views:
            view.note(text)

    def end(self, text: str) -> None:
        for view in self.views:
            view.end(text)


class PlainView(RunView):
    """One line an event, for logs and pipes."""

    def __init__(self, write: Callable[[str], object] | None = None) -> None:
        self._write = write if write is not None else lambda text: print(text, flush=True)
        self._progress: Progress | None = None

    def begin(self, bench: Bench, budget: Budget, finished: list[TrialRecord]) -> None:
        self._write(f"{bench.hot_end.name}, {bench.filament.name}")
        for line in budget.lines():
            self._write(line)
        if finished:
            self._write(f"{len(finished)} trials are on disk already; going on from there")

    def phase(self, text: str) -> None:
        self._write(text)

    def trial_begins(self, order: TrialOrder, progress: Progress) -> None:
        del order  # it is written when it is judged
        self._progress = progress

    def trial_ended(self, record: TrialRecord) -> None:
        left = ""
        if self._progress is not None:
            left = f"; at most {max(0, self._progress.most_left - 1)} trials left"
        self._write(trial_line(record) + left)

    def threshold(self, row: SearchRow) -> None:
        self._write("  " + threshold_line(row))
        if self._progress is not None:
            self._write("  " + self._progress.text())

    def note(self, text: str) -> None:
        self._write(text)

    def end(self, text: str) -> None:
        self._write(text)


def trial_line(record: TrialRecord) -> str:
    """A finished trial in one line."""
    order = record.order
    why = f" ({record.reason})" if record.verdict in (Verdict.VOID, Verdict.SLIP) else ""
    early = ", broken off" if record.broken_off else ""
    return (
        f"trial {record.number}: {order.temperature_c:g} C, {order.current_a:g} A, "
        f"{order.speed_mm_s:.3f} mm/s: {record.verdict}{why}{early}"
    )


def threshold_line(row: SearchRow) -> str:
    """The outcome of a search in one line."""
    where = f"{row.temperature_c:g} C, {row.current_a:g} A"
    ends = "no threshold"
    if row.clean_mm_s is not None and row.skip_mm_s is not None:
        ends = f"clean at {row.clean_mm_s:.3f}, skips at {row.skip_mm_s:.3f} mm/s"
    elif row.clean_mm_s is not None:
        ends = f"clean at {row.clean_mm_s:.3f} mm/s, no skip"
    elif row.skip_mm_s is not None:
        ends = f"skips at {row.skip_mm_s:.3f} mm/s already"
    force = f", {row.force_n:.1f} N" if row.force_n is not None else ""
    mark = f" [{row.excluded}]" if row.excluded else ""
    wide = " (wider than asked)" if row.status == "wide" else ""
    return f"{where}: {ends}{force}{wide}{mark}"


class LiveView(RunView):
    """A picture that is drawn over and over, for terminals."""

    def __init__(self, stream: IO[str] | None = None, *, now: Callable[[], float]) -> None:
        from rich.console import Console
        from rich.live import Live

        self._console = Console(file=stream or sys.stdout)
        self._live = Live(console=self._console, auto_refresh=False, transient=True)
        self._now = now
        self._drawn_s = -math.inf
        self._records: list[TrialRecord] = []
        self._found: list[SearchRow] = []
        self._order: TrialOrder | None = None
        self._progress: Progress | None = None
        self._phase = ""
        self._temperature: tuple[float, float | None] | None = None
        self._name = ""
        self._open = False

    def begin(self, bench: Bench, budget: Budget, finished: list[TrialRecord]) -> None:
        self._name = f"{bench.hot_end.name}, {bench.filament.name}"
        self._records = list(finished)
        for line in budget.lines():
            self._console.print(line, style="bright_black")
        self._live.start()
        self._open = True

    def phase(self, text: str) -> None:
        self._phase = text
        self._draw(now=True)

    def temperature(self, actual_c: float, target_c: float | None) -> None:
        self._temperature = (actual_c, target_c)
        self._draw()

    def trial_begins(self, order: TrialOrder, progress: Progress) -> None:
        self._order, self._progress = order, progress
        self._phase = (
            f"trial {order.number}: {order.current_a:g} A at {order.speed_mm_s:.3f} mm/s"
            f" ({order.purpose}{'' if order.attempt == 1 else f', attempt {order.attempt}'})"
        )
        self._draw(now=True)

    def trial_ended(self, record: TrialRecord) -> None:
        self._records.append(record)
        self._draw(now=True)

    def threshold(self, row: SearchRow) -> None:
        self._found.append(row)
        self._console.print(threshold_line(row))

    def note(self, text: str) -> None:
        self._console.print(text, style="yellow")

    def end(self, text: str) -> None:
        if self._open:
            self._open = False
            self._live.stop()
        self._console.print(text)

    def _draw(self, *, now: bool = False) -> None:
        at_s = self._now()
        if not self._open or (not now and at_s - self._drawn_s < _REFRESH_S):
            return
        self._drawn_s = at_s
        self._live.update(self._picture(), refresh=True)

    def _picture(self) -> Any:
        from rich.console import Group
        from rich.rule import Rule
        from rich.text import Text

        head = Text(self._phase or "getting ready")
        if self._temperature is not None:
            actual_c, target_c = self._temperature
            wanted = "" if not target_c else f" of {target_c:.0f}"
            head.append(f"   {actual_c:.1f}{wanted} C", style="red" if target_c else "bright_black")
        parts: list[Any] = [Rule(self._name, style="bright_black"), head]
        order = self._order
        if order is not None:
            parts.append(pass_map(self._records, temperature_c=order.temperature_c, now=order))
        if self._progress is not None:
            parts.append(Text(self._progress.text(), style="bright_black"))
        return Group(*parts)


def pass_map(
    records: list[TrialRecord],
    *,
    temperature_c: float,
    now: TrialOrder | None = None,
    rows: int = _ROWS,
) -> Any:
    """Current against speed, a sign a trial: a rich text of ``rows`` lines and two more.

    The newest sign wins where several fall on one place; ``@`` is the trial under way.
    """
    from rich.text import Text

    here = [r for r in records if r.order.temperature_c == temperature_c]
    speeds = [r.order.speed_mm_s for r in here] + ([now.speed_mm_s] if now else [])
    currents = sorted({r.order.current_a for r in here} | ({now.current_a} if now else set()))
    text = Text()
    if not speeds:
        return text
    low, high = math.log(min(speeds) / 1.03), math.log(max(speeds) * 1.03)
    cells: dict[tuple[int, int], tuple[str, str]] = {}

    def place(current_a: float, speed_mm_s: float) -> tuple[int, int]:
        share = (math.log(speed_mm_s) - low) / (high - low)
        return currents.index(current_a), min(rows - 1, int(share * rows))

    for record in here:
        cells[place(record.order.current_a, record.order.speed_mm_s)] = SIGNS[record.verdict]
    if now is not None and now.temperature_c == temperature_c:
        cells[place(now.current_a, now.speed_mm_s)] = ("@", "bold white")
    for row in reversed(range(rows)):
        middle = math.exp(low + (row + 0.5) / rows * (high - low))
        text.append(f"{middle:8.2f} ", style="bright_black")
        for column in range(len(currents)):
            sign, style = cells.get((column, row), ("·", "bright_black"))
            text.append(f"  {sign}   ", style=style)
        text.append("\n")
    text.append("    mm/s ", style="bright_black")
    text.append("".join(f"{c:^6.3g}" for c in currents) + " A\n", style="bright_black")
    for verdict, (sign, style) in SIGNS.items():
        text.append(f" {sign} ", style=style)
        text.append(str(verdict), style="bright_black")
    return text


def open_view(stream: IO[str] | None = None, *, plain: bool = False) -> RunView:
    """The view that fits the output: live on a terminal, plain lines elsewhere."""
    out = stream or sys.stdout
    if plain or not out.isatty():
        return PlainView(lambda text: print(text, file=out, flush=True))
    import time

    return LiveView(out, now=time.monotonic)
