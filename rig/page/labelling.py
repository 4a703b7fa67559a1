"""Labelling a take set: lists, proposals and what has been changed, apart from the web."""

from __future__ import annotations

import math
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from detectors.errors import TakeError
from detectors.evidence import Judgement, Verdict
from detectors.settings import DetectorSettings
from detectors.takes import COLUMNS, Take, files_below
from rig.page.take_list import ChangedUnderneathError, Mark, TakeList

Judge = Callable[[Take, DetectorSettings | None], Judgement]


def find_lists(path: Path) -> list[TakeList]:
    """The lists of a take set: a ``takes.csv``, its folder, or a folder of such folders.

    Raises:
        TakeError: There is none, or one of them is wrong.
    """
    if path.is_file():
        return [TakeList(path)]
    if not path.is_dir():
        raise TakeError(f"{path}: no such file or folder")
    found = [TakeList(file) for file in sorted(files_below(path, "takes.csv"))]
    if not found:
        raise TakeError(f"{path}: holds no takes.csv (columns {', '.join(COLUMNS)})")
    if not any(one.takes for one in found):
        raise TakeError(f"{path}: its takes.csv lists no takes yet")
    return found


@dataclass(frozen=True, slots=True)
class _Change:
    index: int
    file: str
    before: Mark
    after: Mark


class Labelling:
    """One person's session over one or several lists; safe to call from several threads.

    Args:
        lists: What is labelled.
        root: What names of sets are shown relative to.
    """

    def __init__(self, lists: list[TakeList], root: Path) -> None:
        self.lists = lists
        self.root = root.resolve()
        self._lock = threading.RLock()
        self._done: list[_Change] = []
        self._places: list[tuple[TakeList, int]] = []
        self._place()

    def _place(self) -> None:
        self._places = [(one, k) for one in self.lists for k in range(len(one.takes))]

    def __len__(self) -> int:
        return len(self._places)

    def take(self, index: int) -> Take:
        """A take by its place in the session.

        Raises:
            IndexError: There is no such take.
        """
        with self._lock:
            if index < 0:
                raise IndexError(index)
            one, number = self._places[index]
            return one.takes[number]

    @property
    def labelled(self) -> int:
        """How many takes have a label."""
        with self._lock:
            return sum(take.label is not None for one in self.lists for take in one.takes)

    def document(self, index: int) -> dict[str, Any]:
        """What the page shows of a take."""
        with self._lock:
            one, number = self._places[index]
            take = one.takes[number]
        motion = take.motion
        try:
            folder = str(one.path.parent.relative_to(self.root))
        except ValueError:
            folder = one.path.parent.name
        return {
            "index": index,
            "set": "" if folder == "." else folder,
            "file": take.file,
            "speed_mm_s": motion.speed_mm_s,
            "current_a": motion.current_a,
            "start_s": motion.start_s,
            "end_s": motion.end_s,
            "step_rate_hz": take.geometry.step_rate_hz(motion.speed_mm_s),
            "label": take.label.value if take.label is not None else None,
            "first_skip_s": take.first_skip_s,
            "note": take.note,
        }

    def set_mark(self, index: int, changes: dict[str, Any]) -> dict[str, Any]:
        """Change label, first skip or note of a take; saved when this returns.

        Args:
            index: Of the take.
            changes: Any of ``label`` (a verdict or None), ``first_skip_s`` (seconds or None) and
                ``note``; and ``file``, the name of the take that the page means.

        Raises:
            IndexError: There is no such take.
            TakeError: A value is not allowed, or the list cannot be written.
            ChangedUnderneathError: The list was changed by another program.
        """
        with self._lock:
            take = self.take(index)
            if changes.get("file", take.file) != take.file:
                raise ChangedUnderneathError(f"take {index + 1} is now {take.file}")
            one, number = self._places[index]
            before = one.mark(number)
            after = one.set_mark(number, _changed(before, changes))
            if after != before:
                self._done.append(_Change(index, take.file, before, after))
            return self.document(index)

    @property
    def can_undo(self) -> bool:
        """Whether there is a change to take back."""
        return bool(self._done)

    def undo(self) -> int | None:
        """Take the last change back, on disk too; returns the take's index, None if none is left.

        Raises:
            ChangedUnderneathError: The list was changed by another program.
        """
        with self._lock:
            if not self._done:
                return None
            change = self._done[-1]
            one, number = self._places[change.index]
            if one.takes[number].file != change.file or one.mark(number) != change.after:
                self._done.clear()
                raise ChangedUnderneathError(
                    "the take was changed by another program since; there is nothing to undo"
                )
            one.set_mark(number, change.before)
            self._done.pop()
            return change.index

    def changed_underneath(self) -> list[str]:
        """Names of the lists that another program has changed."""
        with self._lock:
            return [str(one.path) for one in self.lists if one.seems_changed()]

    def reload(self) -> None:
        """Read the lists anew; changes can be undone no further than this.

        Raises:
            TakeError: One of them cannot be used any more.
        """
        with self._lock:
            for one in self.lists:
                if one.changed_underneath():
                    one.load()
                    self._done.clear()
            self._place()


def _changed(before: Mark, changes: dict[str, Any]) -> Mark:
    """A mark after changes as the page sends them.

    Raises:
        TakeError: A value is of a wrong kind.
    """
    mark = before
    if "label" in changes:
        label = changes["label"]
        try:
            mark = replace(mark, label=None if label in (None, "") else Verdict(label))
        except ValueError:
            raise TakeError(
                f"label = {label!r} must be empty or one of {', '.join(Verdict)}"
            ) from None
    if "first_skip_s" in changes:
        first = changes["first_skip_s"]
        if first is not None and (isinstance(first, bool) or not isinstance(first, int | float)):
            raise TakeError(f"first_skip_s = {first!r} must be a number of seconds")
        mark = replace(mark, first_skip_s=None if first is None else float(first))
    if "note" in changes:
        if not isinstance(changes["note"], str):
            raise TakeError("the note must be text")
        mark = replace(mark, note=changes["note"])
    return mark


def proposal_document(judgement: Judgement) -> dict[str, Any]:
    """What the page shows of the detector's opinion; numbers are finite or None."""

    def number(value: float | None) -> float | None:
        return None if value is None or not math.isfinite(value) else round(float(value), 4)

    return {
        "verdict": judgement.verdict.value,
        "reason": judgement.reason.value,
        "p_skip": number(judgement.p_skip),
        "first_skip_s": number(judgement.first_skip_s),
        "decided_s": number(judgement.decided_s),
        "click_times_s": [round(float(t), 4) for t in judgement.click_times_s],
        "heard": number(judgement.heard),
        "explanation": judgement.explanation,
    }


class Proposals:
    """The detector over all takes in the background, the one on the page first.

    Args:
        session: Whose takes are judged.
        judge: Judges one take; by default `detectors.replay.judge_take`.
        settings: The detector's numbers.
    """

    def __init__(
        self,
        session: Labelling,
        *,
        judge: Judge | None = None,
        settings: DetectorSettings | None = None,
    ) -> None:
        self._session = session
        self._judge = judge
        self._settings = settings
        self._ready: dict[int, dict[str, Any]] = {}
        self._wake = threading.Condition()
        self._next = 0
        self._closed = False
        self._thread = threading.Thread(target=self._work, name="proposals", daemon=True)

    def start(self) -> None:
        """Begin to judge."""
        self._thread.start()

    def close(self) -> None:
        """Stop after the take under way."""
        with self._wake:
            self._closed = True
            self._wake.notify_all()

    def focus(self, index: int) -> None:
        """Judge from this take on."""
        with self._wake:
            self._next = index
            self._wake.notify_all()

    def forget(self) -> None:
        """The lists were read anew: judge all again."""
        with self._wake:
            self._ready.clear()
            self._wake.notify_all()

    def ready(self) -> dict[int, dict[str, Any]]:
        """The proposals there are, by index."""
        with self._wake:
            return dict(self._ready)

    def _choose(self) -> int | None:
        """The next take to judge: from the one on the page on, then from the start."""
        total = len(self._session)
        for k in range(total):
            index = (self._next + k) % total
            if index not in self._ready:
                return index
        return None

    def _work(self) -> None:
        from detectors.replay import judge_take

        judge = self._judge or judge_take
        while True:
            with self._wake:
                index = self._choose()
                while index is None and not self._closed:
                    self._wake.wait()
                    index = self._choose()
                if self._closed:
                    return
                assert index is not None
                take = self._session.take(index)
            try:
                content = proposal_document(judge(take, self._settings))
            except Exception as error:  # an odd file must not end all the other proposals
                content = {"verdict": None, "explanation": f"no proposal: {error}"}
            with self._wake:
                if self._same_sound(index, take):
                    self._ready[index] = content

    def _same_sound(self, index: int, take: Take) -> bool:
        """Whether the place still holds the take that was judged (its label may have changed)."""
        if index >= len(self._session):
            return False
        now = self._session.take(index)
        return (now.path, now.motion) == (take.path, take.motion)
