"""A plan that learns, at work in a campaign: rows and trials in the ledger, rebuilt on a resume."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING

from detectors.evidence import Verdict
from rig.curves.points import Threshold
from rig.errors import TableError
from rig.learning import Choice, LearningPlan, LearningSettings
from rig.release import RELEASE_REST_S, release_mm
from rig.retelling import retold
from rig.search import SLIPS, Answer, SearchResult, SearchSettings, ThresholdSearch
from rig.trial import trial_length_mm

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.known_thresholds import KnownThresholds
    from rig.ledger import Ledger
    from rig.records import TrialRecord

#: Answers allowed, a current; the plan seldom takes a third of them.
MOST_PER_CURRENT = 12
#: Trials that a current takes where nothing is known of the curve.
_LIKELY_PER_CURRENT = 4.0
#: Part of a trial after which a skip usually breaks it off, and what a trial takes besides, in s.
_BROKEN_OFF_AT, _OVERHEAD_S = 0.4, 6.0
#: Purpose of a short trial, as the ledger has it.
SCOUT = "scout"
#: Seconds of skipping from which can be told how much gets through.
_LEAST_SKIPPED_S = 0.4


def through_mm_s(record: TrialRecord) -> float | None:
    """Speed of what the encoder saw while the motor skipped, in mm/s; None where it cannot say."""
    first_s = record.first_skip_s
    if record.verdict is not Verdict.SKIP or record.lost_mm is None or first_s is None:
        return None
    skipped_s = record.motion_s[1] - first_s
    if skipped_s < _LEAST_SKIPPED_S:
        return None
    return max(0.0, record.order.speed_mm_s - record.lost_mm / skipped_s) or None


def widest_band(thresholds: Sequence[Threshold], bench: Bench) -> float:
    """Largest relative half width of the shape band over the table of the one fitted curve.

    Infinite where the thresholds give no curve.
    """
    from rig.curves.fit import fit_curves

    try:
        curve = fit_curves(thresholds, bench=bench, joint=False).curves[0]
    except TableError:
        return math.inf
    return max(0.5 * (row.upper_n - row.lower_n) / row.force_n for row in curve.table)


def band_sentence(temperature_c: float, asked: float, reached: float) -> str:
    """What became of the band that the plan asked for."""
    where = f"{temperature_c:g} C"
    if math.isinf(reached):
        return f"{where}: plan.band = {asked:g} is not reached: the thresholds give no curve"
    band = f"{where}: the curve's band is +-{100 * reached:.1f} % where it is widest"
    if reached <= asked:
        return f"{band}: plan.band = {asked:g} is reached"
    return (
        f"{band}, wider than plan.band = {asked:g} asks, and nothing more was to be asked: more "
        "currents, repeats or a finer plan.resolution narrow it, but near a melt limit it stays "
        "wide"
    )


class CurrentBook:
    """One current's answers, as a search would have them: for the view, the order and the ledger.

    Attributes:
        answers: What was told of this current.
        aside: Speeds at which no answer was to be had.
        given_up: Whether no trial here could be judged.
    """

    def __init__(self, run: LearningRun, current: int) -> None:
        self._run, self._current = run, current
        self.answers: list[Answer] = []
        self.aside: list[float] = []
        self.given_up = False

    @property
    def slips(self) -> bool:
        """Whether the grip is to be blamed."""
        return sum(a.verdict is Verdict.SLIP for a in self.answers) >= SLIPS

    @property
    def most_trials(self) -> int:
        """Greatest number of answers a current can take."""
        return MOST_PER_CURRENT

    @property
    def at_most_left(self) -> int:
        """Bound on the answers still to come, of all currents."""
        return self._run.plan.settings.most_trials - len(self._run.plan.answers)

    @property
    def likely_left(self) -> int:
        """Answers that are probably still to come, of all currents."""
        return self._run.likely_left

    @property
    def result(self) -> SearchResult | None:
        """How it ended; None where it was given up."""
        return None if self.given_up else self.so_far

    @property
    def so_far(self) -> SearchResult:
        """The bracket from this current's own answers."""
        found = self._run.plan.summary(self._current)
        settings = self._run.plan.settings
        if found is None:
            empty = SearchSettings(start_mm_s=settings.start_mm_s, max_mm_s=settings.max_mm_s)
            found = ThresholdSearch(empty).so_far
        if self.slips:
            found = replace(found, status="slip")
        return found


class LearningRun:
    """The plan of one temperature and repeat.

    Args:
        ledger: Where rows are opened, and what was told before is read.
        bench: The bench file.
        known: The thresholds of the run.
        temperature_c: The temperature, in C.
        repeat: Which repeat.
        max_speed_mm_s: Greatest speed, in mm/s.
        acceleration_mm_s2: Of the firmware, for the length of a trial.
        watch: Called before each fit, which takes a second or a few.
    """

    def __init__(
        self,
        ledger: Ledger,
        bench: Bench,
        known: KnownThresholds,
        *,
        temperature_c: float,
        repeat: int,
        max_speed_mm_s: float,
        acceleration_mm_s2: float | None,
        watch: Callable[[], None] = lambda: None,
    ) -> None:
        self._watch = watch
        self._fitted: tuple[tuple[Threshold, ...], float] = ((), math.inf)
        self._ledger, self._bench, self._known = ledger, bench, known
        self._temperature_c, self._repeat = temperature_c, repeat
        self._acceleration_mm_s2 = acceleration_mm_s2
        chain = bench.chain()
        self.currents_a = bench.plan.currents_a
        self.plan = LearningPlan(
            LearningSettings(
                forces_n=tuple(chain.force_n(c) for c in self.currents_a),
                start_mm_s=bench.plan.start_speed_mm_s,
                max_mm_s=max_speed_mm_s,
                resolution=bench.plan.resolution,
                band=bench.plan.band or 0.0,
                most_trials=MOST_PER_CURRENT * len(self.currents_a),
            ),
            cost=self._cost,
            release_cost=self._release_cost(),
            fitted_band=self.fitted_band,
        )
        self.books = [CurrentBook(self, i) for i in range(len(self.currents_a))]
        self._retell()

    def _cost(self, speed_mm_s: float, skips: bool, scout: bool) -> float:
        plan = self._bench.plan
        full_mm, short_mm = (
            trial_length_mm(
                self._bench,
                speed_mm_s=speed_mm_s,
                acceleration_mm_s2=self._acceleration_mm_s2,
                shortest=shortest,
            )
            for shortest in (False, True)
        )
        length_mm = short_mm if scout else full_mm
        if skips:
            length_mm = min(length_mm, full_mm * _BROKEN_OFF_AT)
        fresh_mm = plan.prime_mm if skips else 0.0
        if plan.prefer == "time":
            return length_mm / speed_mm_s + fresh_mm / plan.start_speed_mm_s + _OVERHEAD_S
        return length_mm + fresh_mm

    def _release_cost(self) -> float:
        length_mm = release_mm(self._bench)
        if self._bench.plan.prefer == "time":
            return length_mm / self._bench.plan.start_speed_mm_s + RELEASE_REST_S
        return length_mm

    @property
    def likely_left(self) -> int:
        """Answers that are probably still to come."""
        open_currents = sum(not self.plan.settled(i) for i in range(len(self.books)))
        told = len(self.plan.answers)
        first = max(0.0, _LIKELY_PER_CURRENT * len(self.books) - told)
        return max(
            1 if open_currents else 0, round(min(first, _LIKELY_PER_CURRENT * open_currents))
        )

    def ask(self) -> Choice | None:
        """The next question; None when the plan is over."""
        return self.plan.ask()

    def thresholds(self) -> tuple[Threshold, ...]:
        """The thresholds of this temperature as they would be on disk if the plan ended now."""
        ledger, chain = self._ledger, self._bench.chain()
        closed = [t for t in ledger.thresholds() if t.temperature_c == self._temperature_c]
        open_rows = []
        for current_a, book in zip(self.currents_a, self.books, strict=True):
            row = self._known.row(self._temperature_c, current_a, self._repeat)
            if row is None or row.status is not None or not book.answers or book.given_up:
                continue
            result = book.so_far
            open_rows.append(
                replace(
                    row,
                    force_n=chain.force_n(current_a, result.middle_mm_s),
                    clean_mm_s=result.clean_mm_s,
                    skip_mm_s=result.skip_mm_s,
                    applied_a=chain.applied_rms_a(current_a),
                    excluded=result.excluded,
                )
            )
        return (*closed, *ledger.as_thresholds(open_rows))

    def fitted_band(self) -> float:
        """Half width of the 95 % band of the curve that these thresholds give, relative to the
        force, where it is widest; infinite where they give none."""
        thresholds = self.thresholds()
        if thresholds != self._fitted[0]:
            self._watch()
            self._fitted = (thresholds, widest_band(thresholds, self._bench))
        return self._fitted[1]

    def row(self, current: int) -> int:
        """The ledger's row of a current, opened where there is none yet."""
        current_a = self.currents_a[current]
        row = self._known.row(self._temperature_c, current_a, self._repeat)
        if row is not None:
            return row.id
        settings = self.plan.settings
        return self._ledger.open_search(
            temperature_c=self._temperature_c,
            current_a=current_a,
            repeat=self._repeat,
            settings=asdict(
                SearchSettings(
                    start_mm_s=settings.start_mm_s,
                    max_mm_s=settings.max_mm_s,
                    resolution=settings.resolution,
                    slope=settings.slope,
                )
            ),
            applied_a=self._bench.chain().applied_rms_a(current_a),
        )

    def take(self, current: int, record: TrialRecord, *, set_aside: bool = False) -> None:
        """Tell plan and book what a trial said.

        Args:
            current: Index of the current.
            record: The trial.
            set_aside: It is void for good: other speeds may do.
        """
        book, speed_mm_s = self.books[current], record.order.speed_mm_s
        if record.verdict is Verdict.VOID:
            if set_aside:
                book.aside.append(speed_mm_s)
                self.plan.set_aside(current, speed_mm_s)
            else:
                book.given_up = True
                self.plan.drop(current)
            return
        book.answers.append(Answer(speed_mm_s, record.verdict, record.p_skip))
        if record.verdict is Verdict.SLIP:
            if book.slips:
                # Where the grip fails at a force it fails at every greater one.
                for higher in range(current, len(self.books)):
                    self.plan.drop(higher)
            return
        self.plan.tell(
            current,
            speed_mm_s,
            skipped=record.verdict is Verdict.SKIP,
            p_skip=record.p_skip,
            through_mm_s=through_mm_s(record),
            scout=record.order.purpose == SCOUT,
        )

    def _retell(self) -> None:
        """What the ledger holds of this temperature and repeat, in the order it was found."""
        mine = [
            row
            for row in self._ledger.searches()
            if row.temperature_c == self._temperature_c
            and row.repeat == self._repeat
            and row.current_a in self.currents_a
        ]
        rows = {row.id: self.currents_a.index(row.current_a) for row in mine}
        told = [
            (record, current)
            for row, current in rows.items()
            for record in self._ledger.trials(search=row)
        ]
        told.sort(key=lambda pair: pair[0].number)
        current_of = {record.number: current for record, current in told}
        for record, aside in retold([record for record, _ in told]):
            self.take(current_of[record.number], record, set_aside=aside)
        for row in mine:
            if row.status is not None:  # closed for good, given up ones too
                self.plan.drop(rows[row.id])

    def asked(self) -> Iterator[tuple[int, CurrentBook]]:
        """Row and book of every current that was asked."""
        for current, book in enumerate(self.books):
            row = self._known.row(self._temperature_c, self.currents_a[current], self._repeat)
            if row is not None and row.status is None:
                yield row.id, book
