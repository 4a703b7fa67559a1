"""Which speed to try next, and when to stop: a pure turn-taker without printer or clock.

Ask for the next speed, tell the verdict, until `ThresholdSearch.result` is there. What is known
of the threshold is a distribution over the logarithm of the speed. Each answer reweights it, with
room for an erring detector and for a threshold that is not a knife's edge; the next question goes
to its median (probabilistic bisection: Horstein 1963; Waeber, Frazier and Henderson 2013). With a
detector that never errs that is plain bisection.

Every search ends: after `ThresholdSearch.most_trials` answers at the latest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from detectors.evidence import Verdict

#: How a search ended. ``found``: bracket as narrow as asked. ``wide``: out of trials with a
#: bracket wider than asked. ``start-speed``: skips at the lowest speed already. ``speed-limit``:
#: clean at the greatest speed. ``slip``: the grip fails before the torque does.
Status = Literal["found", "wide", "start-speed", "speed-limit", "slip"]

#: Grid cells to one resolution.
_CELLS = 6
#: Prior probability that the threshold lies below the lowest, above the greatest speed.
_BELOW, _ABOVE = 0.03, 0.06
#: Prior probability that a hint is no good.
_HINT_WRONG = 0.15
#: Slips after which the grip is blamed.
SLIPS = 2
#: How far the detector's probability may soften a verdict: to this probability of being wrong.
_SOFTEST = 0.25
#: A question this near an earlier one, in resolutions, is put at the very same speed.
_SAME = 0.12
#: Questions keep this far from a speed that was set aside, in resolutions: so that the bracket
#: round it is just as narrow as asked.
_ASIDE = 0.48
#: A bracket wider than asked by this factor still counts as narrow, and one that holds the
#: threshold with this probability as likely.
_ROOM, _LIKELY = 1.15, 0.6


def entropy_bits(p: float) -> float:
    """Binary entropy H(p), in bits."""
    if p <= 0.0 or p >= 1.0:
        return 0.0
    return -p * math.log2(p) - (1.0 - p) * math.log2(1.0 - p)


def fewest_trials(cells: float, *, error_rate: float, allowed_error: float = 0.0) -> float:
    """Yes/no trials that any search among ``cells`` needs, ``log2 N / (1 - H(p))``.

    Args:
        cells: Number N of equally likely places.
        error_rate: Probability p that an answer is wrong, below one half.
        allowed_error: Probability e that the place found may be wrong; the bound is then
            ``((1 - e) log2 N - H(e)) / (1 - H(p))`` (Fano).
    """
    bits = (1.0 - allowed_error) * math.log2(cells) - entropy_bits(allowed_error)
    return bits / (1.0 - entropy_bits(error_rate))


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchSettings:
    """What is looked for, and how far the answers are trusted.

    Attributes:
        start_mm_s: Lowest speed that may be asked for, in mm/s.
        max_mm_s: Greatest speed that may be asked for, in mm/s.
        resolution: Relative width of the bracket at which the search stops.
        hint_mm_s: Where the threshold is expected, in mm/s; None: anywhere.
        hint_spread: Standard deviation of the hint, in ln speed.
        error_rate: Probability that a verdict of the detector is wrong.
        slope: Standard deviation of the threshold from trial to trial, in ln speed (filament
            diameter, temperature): close to the threshold the answers are mixed by nature.
        confidence: Probability that the bracket holds the threshold.
        growth: Factor between the speeds of the way up while no hint is there.
    """

    start_mm_s: float
    max_mm_s: float
    resolution: float = 0.03
    hint_mm_s: float | None = None
    hint_spread: float = 0.2
    error_rate: float = 0.01
    slope: float = 0.006
    confidence: float = 0.9
    growth: float = 2.5

    def __post_init__(self) -> None:
        check_speeds("a search", self.start_mm_s, self.max_mm_s)
        for name, low, high in (
            ("resolution", 1e-4, 1.0),
            ("hint_spread", 1e-3, 10.0),
            ("error_rate", 0.0, 0.4),
            ("slope", 0.0, 0.5),
            ("confidence", 0.5, 0.9999),
            ("growth", 1.05, 10.0),
        ):
            check_within(name, getattr(self, name), low, high)


def check_speeds(what: str, start_mm_s: float, max_mm_s: float) -> None:
    """Refuse speeds between which nothing can be asked.

    Raises:
        ValueError: The lowest is not above 0 and below the greatest.
    """
    if not 0.0 < start_mm_s < max_mm_s:
        raise ValueError(
            f"{what} from {start_mm_s:g} to {max_mm_s:g} mm/s: the lowest speed "
            "must be above 0 and below the greatest"
        )


def check_within(name: str, value: float, low: float, high: float) -> None:
    """Refuse a number outside its bounds.

    Raises:
        ValueError: It is; the words name it.
    """
    if not low <= value <= high:
        raise ValueError(f"{name} {value:g} is outside {low:g} to {high:g}")


@dataclass(frozen=True, slots=True)
class Question:
    """The next speed to try.

    Attributes:
        speed_mm_s: In mm/s.
        purpose: ``bracket`` (on the way up), ``bisect``, ``confirm`` (again, near an end).
    """

    speed_mm_s: float
    purpose: str


@dataclass(frozen=True, slots=True)
class Answer:
    """What was told of one speed."""

    speed_mm_s: float
    verdict: Verdict
    p_skip: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SearchResult:
    """Where the threshold is.

    Attributes:
        status: How the search ended.
        clean_mm_s: Highest speed that counts as clean, in mm/s; None where there is none.
        skip_mm_s: Lowest speed that counts as skipping, in mm/s; None where there is none.
        estimate_mm_s: Middle of the distribution, in mm/s (a bound where only one end is known).
        lower_mm_s: Lower end of the central 90 % of the distribution, in mm/s.
        upper_mm_s: Upper end, in mm/s.
        confidence: Probability that the threshold is between the two ends.
        trials: Answers that were told, slips included.
        outvoted: Answers that contradict the bracket and were outvoted.
    """

    status: Status
    clean_mm_s: float | None
    skip_mm_s: float | None
    estimate_mm_s: float
    lower_mm_s: float
    upper_mm_s: float
    confidence: float
    trials: int
    outvoted: int = 0

    @property
    def middle_mm_s(self) -> float:
        """Middle of the ends that are known, in mm/s; 0 where none is."""
        speeds = [s for s in (self.clean_mm_s, self.skip_mm_s) if s]
        return math.exp(sum(math.log(s) for s in speeds) / len(speeds)) if speeds else 0.0

    @property
    def excluded(self) -> str | None:
        """Why the point says nothing about the force, or None."""
        return self.status if self.status in ("slip", "start-speed") else None


@dataclass(frozen=True, slots=True)
class _Bracket:
    clean_mm_s: float
    skip_mm_s: float
    mass: float

    @property
    def width(self) -> float:
        return math.log(self.skip_mm_s / self.clean_mm_s)


class ThresholdSearch:
    """Finds the speed at which a motor begins to skip, asking one speed at a time.

    The same answers in the same order give the same questions: a search is rebuilt from a ledger
    by telling it what was told before.
    """

    def __init__(self, settings: SearchSettings) -> None:
        self.settings = settings
        self.answers: list[Answer] = []
        self.aside: list[float] = []
        self._slips = 0
        self._result: SearchResult | None = None
        low, high = math.log(settings.start_mm_s), math.log(settings.max_mm_s)
        cells = max(8, math.ceil((high - low) / settings.resolution * _CELLS))
        step = (high - low) / cells
        #: ln of the middles of the cells; the first and the last stand for all beyond the limits
        beyond = 6.0 * settings.slope + 2.0 * step
        self._x = np.concatenate(
            ([low - beyond], low + step * (np.arange(cells) + 0.5), [high + beyond])
        )
        self._edges = np.concatenate(([low], low + step * np.arange(1, cells + 1)))
        self._p = self._prior(step)

    # -- asking and telling ---------------------------------------------------------------------

    def ask(self) -> Question | None:
        """The next speed to try; None when the search is over. Asking again changes nothing."""
        if self._result is not None:
            return None
        s = self.settings
        moved = [a for a in self.answers if a.verdict is not Verdict.SLIP]
        if not any(a.verdict is Verdict.SKIP for a in moved) and s.hint_mm_s is None:
            clean = max((a.speed_mm_s for a in moved), default=None)
            speed = self._beside(s.start_mm_s if clean is None else clean * s.growth)
            return self._question(speed, "bracket" if speed < s.max_mm_s else "limit")
        speed = self._beside(math.exp(self._quantile(0.5)))
        if not any(a.verdict is Verdict.SKIP for a in moved):
            return self._question(speed, "bracket")
        return self._question(speed, "bisect")

    def tell(self, speed_mm_s: float, verdict: Verdict, p_skip: float | None = None) -> None:
        """Take the verdict on a speed.

        Args:
            speed_mm_s: The speed that was tried, in mm/s (not necessarily the one asked for).
            verdict: `clean` and `skip` move the search; `slip` is counted.
            p_skip: The detector's probability that the motor skipped; None: as sure as the error
                rate allows.

        Raises:
            ValueError: A `void` verdict (try again instead), or a search that is over.
        """
        if verdict is Verdict.VOID:
            raise ValueError("a void trial says nothing: repeat it, do not tell it")
        if self._result is not None:
            raise ValueError("this search is over")
        skipped = verdict is Verdict.SKIP
        if p_skip is None or not math.isfinite(p_skip):
            p_skip = 1.0 if skipped else 0.0
        self.answers.append(Answer(speed_mm_s, verdict, p_skip))
        if verdict is Verdict.SLIP:
            self._slips += 1
        else:
            # The verdict has weighed more than p_skip alone; p_skip may only soften it.
            q = max(p_skip, 1.0 - _SOFTEST) if skipped else min(p_skip, _SOFTEST)
            self._weigh(math.log(speed_mm_s), q)
        self._result = self._conclude()

    def set_aside(self, speed_mm_s: float) -> None:
        """No answer is to be had at a speed: ask a little above and below it from now on.

        Just above the threshold a motor skips so seldom that a trial may stay undecided however
        often it is repeated. Setting aside says nothing about the threshold.
        """
        self.aside.append(speed_mm_s)

    @property
    def result(self) -> SearchResult | None:
        """The outcome; None while the search goes on."""
        return self._result

    @property
    def so_far(self) -> SearchResult:
        """What is known now, as if the search ended here (for views and given-up searches)."""
        return self._result if self._result is not None else self._summary("wide")

    @property
    def most_trials(self) -> int:
        """Answers after which the search ends whatever they were."""
        s = self.settings
        cells = max(2.0, math.log(s.max_mm_s / s.start_mm_s) / s.resolution)
        return math.ceil(1.5 * fewest_trials(cells, error_rate=max(s.error_rate, 0.02))) + 5

    @property
    def at_most_left(self) -> int:
        """Bound on the trials still to come."""
        return 0 if self._result is not None else self.most_trials - len(self.answers)

    @property
    def likely_left(self) -> int:
        """Trials that are probably still to come: the bits that are missing, and one to confirm."""
        if self._result is not None:
            return 0
        spread = self._quantile(0.95) - self._quantile(0.05)
        bits = math.log2(max(1.0, spread / self.settings.resolution))
        per_trial = 1.0 - entropy_bits(self.settings.error_rate)
        return min(self.at_most_left, max(1, math.ceil(bits / per_trial) + 1))

    # -- the distribution -----------------------------------------------------------------------

    @property
    def grid(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Speeds in mm/s and the probability of each; the first and last stand for all beyond."""
        return np.exp(self._x), self._p.copy()

    def _prior(self, step: float) -> NDArray[np.float64]:
        s = self.settings
        inner = np.full(len(self._x) - 2, 1.0 / (len(self._x) - 2))
        below, above = _BELOW, _ABOVE
        if s.hint_mm_s is not None:
            centre = math.log(s.hint_mm_s)
            t = (self._x[1:-1] - centre) / s.hint_spread
            bell = np.exp(-0.5 * t * t) * step / (s.hint_spread * math.sqrt(2.0 * math.pi))
            inner = _HINT_WRONG * inner + (1.0 - _HINT_WRONG) * bell
            sure = 1.0 - _HINT_WRONG
            below = _HINT_WRONG * below + sure * _normal((self._edges[0] - centre) / s.hint_spread)
            above = _HINT_WRONG * above + sure * _normal((centre - self._edges[-1]) / s.hint_spread)
            below, above = max(below, 0.003), max(above, 0.003)
        p = np.concatenate(([below], inner * (1.0 - below - above) / inner.sum(), [above]))
        return np.asarray(p / p.sum())

    def _weigh(self, x: float, q: float) -> None:
        """Bayes: ``q`` is the probability, on the trial's own evidence, that it skipped."""
        s = self.settings
        floor = max(s.error_rate, 1e-9)
        q = min(max(q, floor), 1.0 - floor)
        if s.slope > 0.0:
            skip = normal_cdf((x - self._x) / s.slope)
        else:
            skip = (x > self._x).astype(float)
        p = self._p * (q * skip + (1.0 - q) * (1.0 - skip))
        self._p = p / p.sum()

    def _quantile(self, share: float) -> float:
        """ln speed below which ``share`` of the distribution lies, within the limits."""
        total = np.cumsum(self._p)
        k = int(np.searchsorted(total, share))
        if k <= 0:
            return float(self._edges[0])
        if k >= len(self._p) - 1:
            return float(self._edges[-1])
        before = float(total[k - 1])
        inside = (share - before) / max(float(self._p[k]), 1e-300)
        return float(self._edges[k - 1] + inside * (self._edges[k] - self._edges[k - 1]))

    def _beside(self, speed_mm_s: float) -> float:
        """The speed, or the next one that keeps clear of those set aside."""
        s = self.settings
        room = _ASIDE * math.log1p(s.resolution)
        near = [u for u in self.aside if abs(math.log(speed_mm_s / u)) < room * 0.999]
        if not near:
            return speed_mm_s
        above, below = max(near) * math.exp(room), min(near) * math.exp(-room)
        if above > s.max_mm_s:
            return below
        if below < s.start_mm_s:
            return above
        # The side that has been asked less often; above first: a skip is found quickly.
        same = _SAME * s.resolution
        asked = [
            sum(abs(math.log(a.speed_mm_s / side)) < same for a in self.answers)
            for side in (above, below)
        ]
        return above if asked[0] <= asked[1] else below

    # -- brackets -------------------------------------------------------------------------------

    def _brackets(self) -> list[_Bracket]:
        """Pairs of a clean and a higher skipping speed that were tried."""
        clean = sorted({a.speed_mm_s for a in self.answers if a.verdict is Verdict.CLEAN})
        skip = sorted({a.speed_mm_s for a in self.answers if a.verdict is Verdict.SKIP})
        cumulative = np.concatenate(([0.0], np.cumsum(self._p)))
        # The mass up to ln v: the left atom, and the inner cells up to there.
        edges = np.concatenate(([self._edges[0]], self._edges[1:]))

        def up_to(speed: float) -> float:
            return float(np.interp(math.log(speed), edges, cumulative[1:-1]))

        return [_Bracket(c, k, up_to(k) - up_to(c)) for c in clean for k in skip if k > c]

    def _best(self) -> _Bracket | None:
        """The narrowest bracket that holds the threshold with confidence, or a likely one.

        Where no bracket as narrow as asked is quite that sure, the likeliest of the narrow ones is
        a better description than a wide one that is: its confidence goes with it.
        """
        brackets = self._brackets()
        sure = [b for b in brackets if b.mass >= self.settings.confidence]
        asked = _ROOM * math.log1p(self.settings.resolution)
        narrow = [b for b in brackets if b.width <= asked and b.mass >= _LIKELY]
        if narrow and not any(b.width <= asked for b in sure):
            return max(narrow, key=lambda b: b.mass)
        if sure:
            return min(sure, key=lambda b: b.width)
        return max(brackets, key=lambda b: (round(b.mass, 6), -b.width), default=None)

    # -- ending ---------------------------------------------------------------------------------

    def _conclude(self) -> SearchResult | None:
        s = self.settings
        if self._slips >= SLIPS:
            return self._summary("slip")
        if self._p[0] >= s.confidence:
            return self._summary("start-speed")
        if self._p[-1] >= s.confidence and self._tried(s.max_mm_s):
            return self._summary("speed-limit")
        tail = 0.5 * (1.0 - s.confidence)
        width = self._quantile(1.0 - tail) - self._quantile(tail)
        if width <= math.log1p(s.resolution) and self._brackets():
            return self._summary("found")
        if len(self.answers) >= self.most_trials:
            if self._p[0] >= 0.5:
                return self._summary("start-speed")
            if self._p[-1] >= 0.5:
                return self._summary("speed-limit")
            return self._summary("wide")
        return None

    def _tried(self, speed_mm_s: float) -> bool:
        return any(a.speed_mm_s >= speed_mm_s * (1 - 1e-9) for a in self.answers)

    def _summary(self, status: Status) -> SearchResult:
        best = self._best() if status in ("found", "wide", "slip") else None
        cleans = [a.speed_mm_s for a in self.answers if a.verdict is Verdict.CLEAN]
        skips = [a.speed_mm_s for a in self.answers if a.verdict is Verdict.SKIP]
        clean: float | None
        skip: float | None
        if best is not None:
            clean, skip, mass = best.clean_mm_s, best.skip_mm_s, best.mass
        elif status == "start-speed":
            clean, skip, mass = None, min(skips, default=None), float(self._p[0])
        elif status == "speed-limit":
            clean, skip, mass = max(cleans, default=None), None, float(self._p[-1])
        else:
            clean, skip, mass = max(cleans, default=None), min(skips, default=None), 0.0
            if clean is not None and skip is not None:
                # Only contradictions: the middle of the distribution decides which end counts.
                middle = math.exp(self._quantile(0.5))
                clean, skip = (clean, None) if middle >= clean else (None, skip)
        outvoted = sum(
            (a.verdict is Verdict.CLEAN and skip is not None and a.speed_mm_s >= skip)
            or (a.verdict is Verdict.SKIP and clean is not None and a.speed_mm_s <= clean)
            for a in self.answers
        )
        return SearchResult(
            status=status,
            clean_mm_s=clean,
            skip_mm_s=skip,
            estimate_mm_s=math.exp(self._quantile(0.5)),
            lower_mm_s=math.exp(self._quantile(0.05)),
            upper_mm_s=math.exp(self._quantile(0.95)),
            confidence=mass,
            trials=len(self.answers),
            outvoted=outvoted,
        )

    def _question(self, speed_mm_s: float, purpose: str) -> Question:
        s = self.settings
        speed = min(max(speed_mm_s, s.start_mm_s), s.max_mm_s)
        asked = [a.speed_mm_s for a in self.answers]
        same = min(asked, key=lambda a: abs(math.log(a / speed)), default=None)
        if same is not None and abs(math.log(same / speed)) < _SAME * s.resolution:
            return Question(same, "confirm")
        # Five digits: a speed that the ledger, the feed word and a repeat all write alike.
        rounded = float(f"{speed:.5g}")
        return Question(min(max(rounded, s.start_mm_s), s.max_mm_s), purpose)


def _normal(t: float) -> float:
    """Standard normal distribution function."""
    return 0.5 * math.erfc(-t / math.sqrt(2.0))


def normal_cdf(t: NDArray[np.float64]) -> NDArray[np.float64]:
    """Standard normal distribution function, to 7.5e-8 (Abramowitz and Stegun, 26.2.17)."""
    a = np.abs(t)
    k = 1.0 / (1.0 + 0.2316419 * a)
    poly = k * (
        0.319381530 + k * (-0.356563782 + k * (1.781477937 + k * (-1.821255978 + k * 1.330274429)))
    )
    tail = np.exp(-0.5 * np.minimum(a, 38.0) ** 2) / math.sqrt(2.0 * math.pi) * poly
    value: NDArray[np.float64] = np.where(t >= 0.0, 1.0 - tail, tail)
    return value
