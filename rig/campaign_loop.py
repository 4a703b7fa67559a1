"""The work inside a campaign: heat, search by search, trial by trial, each on disk at once."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING

from detectors.evidence import Reason, Verdict
from rig.budget import Budget, filament_limit_mm, heating_time_s, prime_speed_mm_s
from rig.checkup import BELOW_MAX_FEED, STEPS_APART, steps_per_mm
from rig.errors import (
    FirmwareResetError,
    LimitReachedError,
    StoppedSafelyError,
    UnfitBenchError,
)
from rig.known_thresholds import KnownThresholds
from rig.learning_run import SCOUT, CurrentBook, LearningRun, band_sentence
from rig.ledger import Ledger, SearchRow
from rig.records import TrialOrder, TrialRecord
from rig.release import fresh_mm
from rig.retelling import MOST_ASIDE, UNCLEAR, is_doubtful, most_attempts, retold
from rig.search import Question, SearchSettings, ThresholdSearch
from rig.trial import make_order, rest, run_trial
from rig.view import Progress, RunView

if TYPE_CHECKING:
    from rig.printer_types import PrinterSettings, TemperatureReading
    from rig.station import Station

#: Restarts of the firmware that a session survives.
MOST_RESETS = 3
#: Thresholds given up in a row that end the session: something is broken.
MOST_GIVEN_UP = 2
#: Pause before a void is tried again, in s, and once more for each further attempt.
_PAUSE_S = 2.0
#: Trials that were void for want of evidence are made longer, up to this factor and time, in s.
_LONGER, _LONGEST_S = 1.6, 45.0
#: A doubtful clean trial is repeated once, longer by this factor.
_DOUBT_LONGER = 2.5
_THIN = (Reason.UNSURE, Reason.TOO_SHORT)
#: The hot end is steady when it stayed within this, in K, for so long, in s.
_STEADY_BAND_C, _STEADY_DWELL_S = 1.0, 20.0


class CampaignLoop:
    """Works through the plan of one station's bench.

    Attributes:
        known: The thresholds found so far.
        resets: Restarts of the firmware so far.
        remarks: What a person should know of the outcome, a sentence each.
    """

    def __init__(
        self,
        station: Station,
        ledger: Ledger,
        *,
        view: RunView,
        budget: Budget,
        audio_folder: Path | None,
    ) -> None:
        self.station = station
        self.bench = station.bench
        self.ledger = ledger
        self.view = view
        self.budget = budget
        self.known = KnownThresholds(ledger, self.bench)
        self.resets = 0
        self.remarks: list[str] = []
        self._audio_folder = audio_folder
        self._max_speed_mm_s = self.bench.limits.max_speed_mm_s
        self._acceleration_mm_s2: float | None = None
        self._dead_man_s: float | None = None
        self._fresh_needed = True  # nobody knows what the gear has bitten before
        self._given_up = 0
        self._limit_mm = filament_limit_mm(self.bench)
        self._limit_told = self._limit_mm
        self._notices_seen = 0
        station.tick = self._show_temperature

    # -- before ---------------------------------------------------------------------------------

    def prepare(self, *, dead_man_s: float | None = None) -> None:
        """Connect and bring the printer into the state that a measurement needs.

        Raises:
            UnfitBenchError: The firmware's limits leave no room for the plan.
            LinkError: It does not answer.
        """
        printer, plan = self.station.printer, self.bench.plan
        self._dead_man_s = dead_man_s
        self.view.phase("connecting")
        identity = printer.connect()
        settings = printer.read_settings()
        self.ledger.add_event(
            "connected",
            identity.text,
            settings=_settings_data(settings),
            capabilities=sorted(identity.capabilities),
        )
        for guess in settings.guesses:
            self._remark(guess)
        if settings.max_feed_mm_s is not None:
            allowed = settings.max_feed_mm_s * BELOW_MAX_FEED
            if allowed <= plan.start_speed_mm_s:
                raise UnfitBenchError(
                    f"the firmware allows {settings.max_feed_mm_s:g} mm/s of filament at most, "
                    f"plan.start_speed_mm_s is {plan.start_speed_mm_s:g}: raise the firmware's "
                    "limit for the extruder"
                )
            if allowed < self._max_speed_mm_s:
                self._remark(
                    f"the firmware allows {settings.max_feed_mm_s:g} mm/s of filament, "
                    f"limits.max_speed_mm_s is {self._max_speed_mm_s:g}: searched up to the first"
                )
                self._max_speed_mm_s = allowed
        if settings.steps_per_mm is not None:
            wanted = steps_per_mm(self.bench)
            apart = settings.steps_per_mm / wanted - 1.0
            if abs(apart) > STEPS_APART:
                self._remark(
                    f"the firmware has {settings.steps_per_mm:.6g} steps/mm, the bench file makes "
                    f"{wanted:.6g} ({100 * apart:+.1f} %): either the motor does not run at the "
                    "speeds that are asked for, or motor, microsteps, gear ratio or filament per "
                    "turn are wrong, and with them the force"
                )
        self._acceleration_mm_s2 = settings.acceleration_mm_s2
        self._put_in_order()

    def _put_in_order(self) -> None:
        printer = self.station.printer
        printer.prepare()
        if self._dead_man_s is not None and not printer.arm_dead_man(self._dead_man_s):
            self._remark(
                "this firmware has no dead-man's switch: if the computer fails, it goes on heating"
            )

    # -- the plan -------------------------------------------------------------------------------

    def run(self) -> None:
        """Every temperature, repeat and current of the plan that is not on disk yet."""
        plan = self.bench.plan
        heated_c: float | None = None
        for temperature_c in sorted(plan.temperatures_c):
            for repeat in range(plan.repeats):
                if plan.method == "learning":
                    heated_c = self._learn(temperature_c, repeat, heated_c)
                    continue
                for current_a in plan.currents_a:
                    if self.known.is_done(temperature_c, current_a, repeat):
                        continue
                    if self.known.stops_rising(temperature_c, current_a):
                        break
                    if heated_c != temperature_c:
                        self._heat(temperature_c)
                        heated_c = temperature_c
                    self._search(temperature_c, current_a, repeat)
            self.known.mark_melt(temperature_c)

    # -- a plan that learns -----------------------------------------------------------------------

    def _learn(self, temperature_c: float, repeat: int, heated_c: float | None) -> float | None:
        """All currents of a temperature, the most telling question first; what is hot now."""
        run = LearningRun(
            self.ledger,
            self.bench,
            self.known,
            temperature_c=temperature_c,
            repeat=repeat,
            max_speed_mm_s=self._max_speed_mm_s,
            acceleration_mm_s2=self._acceleration_mm_s2,
            watch=self._watch,
        )
        given_up: dict[int, TrialRecord] = {}
        while (choice := run.ask()) is not None:
            if heated_c != temperature_c:
                self._heat(temperature_c)
                heated_c = temperature_c
            row, book = run.row(choice.current), run.books[choice.current]
            current_a = run.currents_a[choice.current]
            question = Question(choice.speed_mm_s, SCOUT if choice.scout else "learn")
            record = self._answer(question, temperature_c, current_a, repeat, row, book)
            aside = record.reason in UNCLEAR and len(book.aside) < MOST_ASIDE
            run.take(choice.current, record, set_aside=aside)
            if record.verdict is Verdict.VOID and not aside:
                given_up[row] = record
        asked = list(run.asked())
        for row, book in asked:
            self._close_search(row, book, given_up.get(row))
        if asked and self.bench.plan.band is not None:
            self._remark(band_sentence(temperature_c, self.bench.plan.band, run.fitted_band()))
        return heated_c

    def _watch(self) -> None:
        """A look at the heater before work that takes seconds."""
        self.station.printer.temperature()
        self.station.look()

    # -- one search -----------------------------------------------------------------------------

    def _search(self, temperature_c: float, current_a: float, repeat: int) -> None:
        row, search = self._open_search(temperature_c, current_a, repeat)
        gave_up: TrialRecord | None = None
        while (question := search.ask()) is not None:
            record = self._answer(question, temperature_c, current_a, repeat, row, search)
            if record.verdict is not Verdict.VOID:
                search.tell(record.order.speed_mm_s, record.verdict, record.p_skip)
            elif record.reason in UNCLEAR and len(search.aside) < MOST_ASIDE:
                search.set_aside(record.order.speed_mm_s)
            else:
                gave_up = record
                break
        self._close_search(row, search, gave_up)

    def _open_search(
        self, temperature_c: float, current_a: float, repeat: int
    ) -> tuple[int, ThresholdSearch]:
        """A new search, or the one that was under way, told what it was told before."""
        row = self.known.row(temperature_c, current_a, repeat)
        if row is not None:
            search = ThresholdSearch(SearchSettings(**row.settings))
            for record, aside in retold(self.ledger.trials(search=row.id)):
                if search.result is not None:
                    break
                if aside:
                    search.set_aside(record.order.speed_mm_s)
                else:
                    search.tell(record.order.speed_mm_s, record.verdict, record.p_skip)
            return row.id, search
        settings = self.known.settings(
            temperature_c, current_a, repeat, max_speed_mm_s=self._max_speed_mm_s
        )
        search_id = self.ledger.open_search(
            temperature_c=temperature_c,
            current_a=current_a,
            repeat=repeat,
            settings=asdict(settings),
            applied_a=self.bench.chain().applied_rms_a(current_a),
        )
        return search_id, ThresholdSearch(settings)

    def _close_search(
        self, row: int, search: ThresholdSearch | CurrentBook, gave_up: TrialRecord | None
    ) -> None:
        result = search.result or search.so_far
        current_a = next(s.current_a for s in self.ledger.searches() if s.id == row)
        status: str = result.status
        excluded, note = result.excluded, None
        if gave_up is not None and search.result is None:
            status, excluded = "given-up", str(gave_up.reason)
            note = gave_up.explanation
            self._given_up += 1
        else:
            self._given_up = 0
        self.ledger.close_search(
            row,
            status=status,
            clean_mm_s=result.clean_mm_s,
            skip_mm_s=result.skip_mm_s,
            estimate_mm_s=result.estimate_mm_s,
            lower_mm_s=result.lower_mm_s,
            upper_mm_s=result.upper_mm_s,
            confidence=result.confidence,
            trials=result.trials,
            outvoted=result.outvoted,
            force_n=self.bench.chain().force_n(current_a, result.middle_mm_s),
            excluded=excluded,
            note=note,
        )
        closed = next(s for s in self.ledger.searches() if s.id == row)
        self.known.mark_melt(closed.temperature_c)
        closed = next(s for s in self.ledger.searches() if s.id == row)
        self.view.threshold(closed)
        self._explain(closed)
        if self._given_up >= MOST_GIVEN_UP:
            raise StoppedSafelyError(
                f"{self._given_up} thresholds in a row could not be judged "
                f"({closed.excluded}: {closed.note}): mend that and continue with --resume"
            )

    def _explain(self, row: SearchRow) -> None:
        where = f"{row.temperature_c:g} C, {row.current_a:g} A"
        if row.status == "given-up":
            self._remark(f"{where}: given up ({row.excluded}): {row.note}")
        elif row.excluded == "melt-limit":
            self._remark(f"{where}: flow no longer rises with force: the melt limit; stopped here")
        elif row.status == "slip":
            self._remark(f"{where}: the gear grinds the filament before the motor skips")
        elif row.status == "speed-limit":
            self._remark(f"{where}: clean up to {row.clean_mm_s:.3g} mm/s, the greatest allowed")
        elif row.status == "start-speed":
            self._remark(f"{where}: skips at plan.start_speed_mm_s already")

    # -- one question ---------------------------------------------------------------------------

    def _answer(
        self,
        question: Question,
        temperature_c: float,
        current_a: float,
        repeat: int,
        row: int,
        search: ThresholdSearch | CurrentBook,
    ) -> TrialRecord:
        """Trials of one speed until one is no void; the last void where none is."""
        stretch = 1.0
        attempt = 0
        while True:
            attempt += 1
            order = self._order(
                question, temperature_c, current_a, repeat, search, attempt=attempt, stretch=stretch
            )
            record = self._trial(order, row, search)
            if is_doubtful(record) and stretch == 1.0:
                # One click may be the room's or the first of a train: a longer move tells.
                stretch = _DOUBT_LONGER
                continue
            if record.verdict is not Verdict.VOID or attempt >= most_attempts(record.reason):
                return record
            if record.reason in _THIN:
                stretch *= _LONGER
            else:
                rest(self.station, _PAUSE_S * attempt)

    def _order(
        self,
        question: Question,
        temperature_c: float,
        current_a: float,
        repeat: int,
        search: ThresholdSearch | CurrentBook,
        *,
        attempt: int,
        stretch: float,
    ) -> TrialOrder:
        bench, speed_mm_s = self.bench, question.speed_mm_s
        order = make_order(
            bench,
            temperature_c=temperature_c,
            current_a=current_a,
            speed_mm_s=speed_mm_s,
            acceleration_mm_s2=self._acceleration_mm_s2,
            number=self.ledger.next_number(),
            shortest=question.purpose == SCOUT,
        )
        length_mm = order.length_mm
        if stretch > 1.0:
            length_mm = min(length_mm * stretch, max(length_mm, speed_mm_s * _LONGEST_S))
        cleans = [a.speed_mm_s for a in search.answers if a.verdict is Verdict.CLEAN]
        below = [f.speed_mm_s for _, f in self.known.found(temperature_c)]
        return replace(
            order,
            length_mm=length_mm,
            prime_mm=fresh_mm(
                bench,
                self.station.last_move,
                current_a=current_a,
                speed_mm_s=speed_mm_s,
                wanted=self._fresh_needed,
            ),
            prime_speed_mm_s=prime_speed_mm_s(
                bench, clean_mm_s=max(cleans or below[:1], default=None)
            ),
            purpose=question.purpose,
            repeat=repeat,
            attempt=attempt,
        )

    def _trial(
        self, order: TrialOrder, row: int, search: ThresholdSearch | CurrentBook
    ) -> TrialRecord:
        """One trial, on disk when it returns; a restart of the firmware discards and repeats it."""
        while True:
            used_mm = self.ledger.filament_mm()
            if used_mm + order.length_mm + order.prime_mm > self._limit_mm:
                raise LimitReachedError(
                    f"{used_mm / 1000:.2f} m of filament used, {self._limit_mm / 1000:.2f} m "
                    "allowed (limits.max_filament_m, filament.available_m, limits.pile_litre): "
                    "clear the pile, raise the limit in a new bench file, begin a new run"
                )
            self.view.trial_begins(order, self._progress(search))
            try:
                record = run_trial(self.station, order, audio_folder=self._audio_folder)
            except FirmwareResetError as error:
                lost_mm = order.prime_mm + order.length_mm
                self._recover(error, order.temperature_c, filament_mm=lost_mm)
                order = replace(order, prime_mm=self.bench.plan.prime_mm)
                continue
            number = self.ledger.add_trial(record, search=row)
            record = replace(record, number=number)
            self._fresh_needed = record.verdict in (Verdict.SKIP, Verdict.SLIP) or (
                record.verdict is Verdict.VOID and bool(record.click_times_s)
            )
            self._keep_notices()
            if record.reason is Reason.STREAM_LOST:
                self.station.stop_sound()  # the next trial opens it anew
            self.view.trial_ended(record)
            return record

    # -- heat, trouble, progress ------------------------------------------------------------------

    def _heat(self, temperature_c: float) -> None:
        printer = self.station.printer
        self.view.phase(f"heating to {temperature_c:g} C")
        self.station.stop_sound()
        while True:
            try:
                printer.set_target(temperature_c)
                printer.wait_until_steady(
                    band_c=_STEADY_BAND_C, dwell_s=_STEADY_DWELL_S, tick=self._tick
                )
            except FirmwareResetError as error:
                self._recover(error, None)
                continue
            self._fresh_needed = True
            self.station.last_move = None  # heating took longer than the melt remembers
            return

    def _recover(
        self, error: FirmwareResetError, temperature_c: float | None, *, filament_mm: float = 0.0
    ) -> None:
        """The board restarted: everything is set again, and the trial begins anew.

        Args:
            error: What was noticed.
            temperature_c: To heat to again; None where that is done by the caller.
            filament_mm: Greatest length that the trial which it cut short can have taken, in mm.
        """
        self.resets += 1
        self.ledger.add_event("reset", str(error), count=self.resets, filament_mm=filament_mm)
        self.view.note(f"the printer restarted by itself ({self.resets}): {error}")
        if self.resets >= MOST_RESETS:
            raise StoppedSafelyError(
                f"the printer restarted by itself {self.resets} times: check its power supply, "
                "cable and cooling, then continue with --resume"
            ) from error
        printer = self.station.printer
        printer.target_c, printer.target_set_s = 0.0, self.station.clock.now()
        self.station.last_move = None  # the motor let go, and the hot end heats anew
        self.station.stop_sound()
        printer.connect()
        self._put_in_order()
        if temperature_c is not None:
            self._heat(temperature_c)

    def _tick(self, reading: TemperatureReading) -> None:
        del reading  # the printer has kept it
        self.station.look()

    def _show_temperature(self) -> None:
        reading = self.station.printer.last_temperature
        if reading is not None:
            self.view.temperature(reading.actual_c, reading.target_c)

    def _keep_notices(self) -> None:
        """What the firmware did on the way goes into the ledger, a line a trial at most."""
        notices = list(self.station.printer.notices)
        self.station.printer.notices.clear()
        if notices:
            self.ledger.add_event(
                "notices",
                f"{len(notices)} remarks of the link",
                notices=[[n.kind, n.text] for n in notices[:20]],
            )

    def _remark(self, text: str) -> None:
        if text not in self.remarks:
            self.remarks.append(text)
            self.ledger.add_event("remark", text)
            self.view.note(text)

    def _progress(self, search: ThresholdSearch | CurrentBook) -> Progress:
        plan = self.bench.plan
        rows = self.ledger.searches()
        done = sum(s.status is not None for s in rows)
        to_come = max(0, self.budget.searches - done - 1)
        if isinstance(search, CurrentBook):  # which speaks for all currents of its temperature
            to_come = max(0, self.budget.searches - done - len(plan.currents_a))
        per_search = self.budget.trials_likely / self.budget.searches
        likely = search.likely_left + math.ceil(to_come * per_search)
        hotter = tuple(
            t
            for t in plan.temperatures_c
            if t > self.station.printer.target_c and not any(s.temperature_c == t for s in rows)
        )
        heating_s = heating_time_s(hotter, from_c=self.station.printer.target_c) if hotter else 0.0
        used_mm = self.ledger.filament_mm()
        return Progress(
            trials=self.ledger.next_number() - 1,
            most_left=search.at_most_left + to_come * search.most_trials,
            likely_left=likely,
            seconds_left=likely * self.budget.price_per_trial_s + heating_s,
            filament_mm=used_mm,
            filament_left_mm=max(0.0, self._limit_mm - used_mm),
        )


def _settings_data(settings: PrinterSettings) -> dict[str, object]:
    data = asdict(settings)
    data.pop("lines", None)
    return data
