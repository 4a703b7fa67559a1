"""A plan that learns: which current and which speed to try next, from everything seen so far. Pure.

Bisection finds one threshold after another, each as if the others said nothing. But thresholds lie
on a curve. This plan keeps a cloud of curves, ``F = F0 + K v^n`` with a melt limit or without, each
with its own small deviation at every current (so that a law that is not quite the hot end's cannot
make the band narrower than the answers allow), reweights it with each answer, and asks the question
that narrows the band most for what it costs: expected variance of the band before and after the
answer, per mm of filament or per second (expected loss reduction: Lindley 1956, Ann. Math. Stat.
27, 986; MacKay 1992, Neural Comput. 4, 590). The cloud is moved by resampling and Metropolis steps
(Chopin 2002, Biometrika 89, 539).

A skipping motor still pushes some filament: what got through at that force says roughly where the
threshold is. It only tilts the choice of the next question; no answer and no result rests on it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from detectors.evidence import Verdict
from rig.hints import MELT_EXPONENT
from rig.search import (
    SearchResult,
    SearchSettings,
    Status,
    ThresholdSearch,
    check_speeds,
    check_within,
    normal_cdf,
)

Floats = NDArray[np.float64]

#: Curves in the cloud, Metropolis steps each time it is renewed, and the share of effective curves
#: below which it is.
_CURVES, _STEPS, _ENOUGH = 1500, 12, 0.5
#: Prior of the exponent n: middle and spread of its logarithm. Melts have 0.3 to 1.
_EXPONENT, _EXPONENT_SPREAD = 0.6, 0.35
#: Prior share of the least force that a yield force may take.
_YIELD_MOST = 0.8
#: Prior probability that the melt limit lies within the speeds of the plan.
_MELT_SHARE = 0.4
#: Range of ln of the sharpness p of the knee, ``v^-p = v_law^-p + v_melt^-p``.
_SHARPNESS = (math.log(2.5), math.log(16.0))
#: Deviation of a single threshold from the law, in ln speed.
_DEVIATION = 0.015
#: Places in the distribution of a current's threshold at which a question may be put.
_PLACES = (0.2, 0.35, 0.5, 0.65, 0.8)
#: The way up: no question is put above the highest clean speed by more than this factor.
_GROWTH = 2.5
#: How far what got through in a skip is trusted, in ln speed.
_THROUGH_SPREAD = 0.35
#: Standard deviations to the 95 % half width.
_HALF_WIDTH = 1.96
#: Brackets are asked for once every threshold is expected within this, in ln speed.
_KNOWN = 0.08
#: A bracket wider than asked by this factor still counts; so does one of this probability.
_ROOM, _LIKELY = 1.25, 0.6
#: Probability with which a threshold counts as out of reach.
_SURE = 0.8
#: Resolution of the brackets that are made of a current's own answers: they never end by it.
_FINEST = 0.002
#: A question this near an earlier one of the same current, in ln speed, is put at the same speed.
_SAME = 0.003


@dataclass(frozen=True, slots=True, kw_only=True)
class LearningSettings:
    """What is to be learnt.

    Attributes:
        forces_n: Force at each current, rising, in N, shape (currents,).
        start_mm_s: Lowest speed that may be asked for, in mm/s.
        max_mm_s: Greatest speed that may be asked for, in mm/s.
        resolution: Relative width of the bracket that each current gets from its own answers.
        band: Half width of the 95 % band of the curve, relative to the force, at which to stop
            before all brackets are there; 0: never.
        error_rate: Probability that a verdict of the detector is wrong.
        slope: Standard deviation of the threshold from trial to trial, in ln speed.
        most_trials: Answers after which the plan ends whatever they were.
    """

    forces_n: tuple[float, ...]
    start_mm_s: float
    max_mm_s: float
    resolution: float = 0.03
    band: float = 0.0
    error_rate: float = 0.01
    slope: float = 0.008
    most_trials: int = 120

    def __post_init__(self) -> None:
        if len(self.forces_n) < 3 or any(
            b <= a or a <= 0 for a, b in zip(self.forces_n, self.forces_n[1:], strict=False)
        ):
            raise ValueError("a plan that learns needs three currents or more, rising in force")
        check_speeds("a plan", self.start_mm_s, self.max_mm_s)
        for name, low, high in (
            ("resolution", 1e-3, 1.0),
            ("band", 0.0, 0.5),
            ("error_rate", 1e-4, 0.4),
            ("slope", 1e-4, 0.5),
            ("most_trials", 5, 10000),
        ):
            check_within(name, getattr(self, name), low, high)


@dataclass(frozen=True, slots=True)
class LearntAnswer:
    """What was told of one current and speed."""

    current: int
    speed_mm_s: float
    skipped: bool
    p_wrong: float


@dataclass(frozen=True, slots=True)
class Choice:
    """The next question.

    Attributes:
        current: Index of the current.
        speed_mm_s: In mm/s.
    """

    current: int
    speed_mm_s: float


class LearningPlan:
    """Chooses current and speed, one question at a time.

    The same answers in the same order give the same questions: a plan is rebuilt from a ledger by
    telling it what was told before.

    Args:
        settings: What is to be learnt.
        cost: Price of a trial at a speed in mm/s, clean or (True) skipping: mm of filament, or s.
    """

    def __init__(self, settings: LearningSettings, *, cost: Callable[[float, bool], float]) -> None:
        self.settings = settings
        self.cost = cost
        self.answers: list[LearntAnswer] = []
        self._through: dict[int, float] = {}  # ln of what got through, by current
        self._aside: list[tuple[int, float]] = []
        self._dropped: set[int] = set()
        self._forces = np.array(settings.forces_n)
        self._rng = np.random.default_rng(20_240_117)
        self._cloud = self._prior()
        self._weights = np.full(_CURVES, 1.0 / _CURVES)

    # -- the curves -----------------------------------------------------------------------------

    def _prior(self) -> Floats:
        """Rows of (ln speed at the middle force, ln n, yield share, ln melt speed, ln sharpness,
        deviations)."""
        s, rng, count = self.settings, self._rng, _CURVES
        low, high = math.log(s.start_mm_s), math.log(s.max_mm_s)
        melt = rng.uniform(low, high, count)
        melt[rng.random(count) > _MELT_SHARE] += 10.0  # no limit within reach
        return np.column_stack(
            (
                rng.uniform(low - 0.7, high + 0.7, count),
                rng.normal(math.log(_EXPONENT), _EXPONENT_SPREAD, count),
                rng.uniform(0.0, _YIELD_MOST, count),
                melt,
                rng.uniform(*_SHARPNESS, count),
                rng.normal(0.0, _DEVIATION, (count, len(self._forces))),
            )
        )

    def _log_prior(self, cloud: Floats) -> Floats:
        s = self.settings
        low, high = math.log(s.start_mm_s), math.log(s.max_mm_s)
        value = -0.5 * ((cloud[:, 1] - math.log(_EXPONENT)) / _EXPONENT_SPREAD) ** 2
        value -= 0.5 * ((cloud[:, 5:] / _DEVIATION) ** 2).sum(axis=1)
        free = cloud[:, 3] > high + 1.0
        value += np.where(free, math.log(1 - _MELT_SHARE), math.log(_MELT_SHARE))
        bad = (cloud[:, 0] < low - 0.7) | (cloud[:, 0] > high + 0.7)
        bad |= (cloud[:, 2] < 0.0) | (cloud[:, 2] > _YIELD_MOST)
        bad |= (cloud[:, 4] < _SHARPNESS[0]) | (cloud[:, 4] > _SHARPNESS[1])
        bad |= ~free & ((cloud[:, 3] < low) | (cloud[:, 3] > high))
        allowed: Floats = np.where(bad, -np.inf, value)
        return allowed

    def _law(self, cloud: Floats) -> Floats:
        """ln threshold speed at each force, without deviations, shape (curves, currents)."""
        forces = self._forces
        middle = math.sqrt(forces[0] * forces[-1])
        yielded = np.clip(cloud[:, 2:3], 0.0, 0.95) * forces[0]
        slope = np.exp(-cloud[:, 1:2])
        speed = cloud[:, 0:1] + slope * np.log((forces - yielded) / (middle - yielded))
        sharp = np.exp(cloud[:, 4:5])
        limited: Floats = speed - np.logaddexp(0.0, sharp * (speed - cloud[:, 3:4])) / sharp
        return limited

    def _thresholds(self, cloud: Floats) -> Floats:
        """ln threshold speed at each current, deviations and all, shape (curves, currents)."""
        thresholds: Floats = self._law(cloud) + cloud[:, 5:]
        return thresholds

    def _likelihood(self, cloud: Floats, answers: Sequence[LearntAnswer]) -> Floats:
        """Log-likelihood of answers, shape (curves,)."""
        if not answers:
            return np.zeros(len(cloud))
        which = [a.current for a in answers]
        asked = np.log([a.speed_mm_s for a in answers])
        wrong = np.array([a.p_wrong for a in answers])
        skipped = np.array([a.skipped for a in answers])
        skips = normal_cdf((asked - self._thresholds(cloud)[:, which]) / self.settings.slope)
        told = np.where(skipped, skips, 1.0 - skips)
        total: Floats = np.log(wrong + (1.0 - 2.0 * wrong) * told).sum(axis=1)
        return total

    def _renew(self) -> None:
        """Resample the cloud and move every curve by Metropolis steps."""
        rng = self._rng
        at = (rng.random() + np.arange(_CURVES)) / _CURVES
        chosen = np.searchsorted(np.cumsum(self._weights), at).clip(0, _CURVES - 1)
        cloud = self._cloud[chosen]
        weights = self._weights
        spread = np.sqrt(
            np.average((self._cloud - np.average(self._cloud, 0, weights)) ** 2, 0, weights)
        )
        logp = self._log_prior(cloud) + self._likelihood(cloud, self.answers)
        scale = 0.6
        for step in range(_STEPS):
            # Differences of two other curves keep to the cloud's own shape (ter Braak 2006).
            one, other = (cloud[rng.permutation(_CURVES)] for _ in range(2))
            jump = scale * (one - other)
            jump += 0.1 * spread * rng.normal(size=cloud.shape)
            parts = ((0, 1, 2), (3,), tuple(range(5, cloud.shape[1])), (0, 1, 2, 3, 4))[step % 4]
            mask = np.zeros(cloud.shape[1])
            mask[list(parts)] = 1.0
            new = cloud + jump * mask
            if parts == (3,):  # a limit may also vanish, or come back
                flip = rng.random(_CURVES) < 0.3
                free = cloud[:, 3] > math.log(self.settings.max_mm_s) + 1.0
                new[flip, 3] = np.where(free[flip], cloud[flip, 3] - 10.0, cloud[flip, 3] + 10.0)
            logp_new = self._log_prior(new) + self._likelihood(new, self.answers)
            taken = np.log(rng.random(_CURVES)) < logp_new - logp
            cloud[taken], logp[taken] = new[taken], logp_new[taken]
            scale *= 1.2 if taken.mean() > 0.35 else 0.8
        self._cloud, self._weights = cloud, np.full(_CURVES, 1.0 / _CURVES)

    # -- telling and asking ---------------------------------------------------------------------

    def tell(
        self,
        current: int,
        speed_mm_s: float,
        *,
        skipped: bool,
        p_skip: float | None = None,
        through_mm_s: float | None = None,
    ) -> None:
        """Take the verdict on a current and speed.

        Args:
            current: Index of the current.
            speed_mm_s: The speed that was tried, in mm/s.
            skipped: What the detector says.
            p_skip: Its probability that the motor skipped; it may only soften the verdict.
            through_mm_s: Speed of the filament that got through while the motor skipped, in mm/s,
                where that is known; tilts the next question only.
        """
        wrong = self.settings.error_rate
        if p_skip is not None and math.isfinite(p_skip):
            doubt = 1.0 - p_skip if skipped else p_skip
            wrong = max(wrong, min(0.25, doubt))
        answer = LearntAnswer(current, speed_mm_s, skipped, wrong)
        self.answers.append(answer)
        if skipped and through_mm_s is not None and 0.0 < through_mm_s < speed_mm_s:
            self._through[current] = math.log(through_mm_s)
        likelihood = self._likelihood(self._cloud, [answer])
        weights = self._weights * np.exp(likelihood - likelihood.max())
        self._weights = weights / weights.sum()
        if 1.0 / float((self._weights**2).sum()) < _ENOUGH * _CURVES:
            self._renew()

    def drop(self, current: int) -> None:
        """Nothing more is to be had of a current."""
        self._dropped.add(current)

    def set_aside(self, current: int, speed_mm_s: float) -> None:
        """No answer is to be had there: other speeds are asked for from now on."""
        self._aside.append((current, math.log(speed_mm_s)))

    @property
    def band(self) -> float:
        """Half width of the 95 % band, relative to the force, where it is widest."""
        scores = self._scores()
        mean = self._weights @ scores
        return float(_HALF_WIDTH * np.sqrt(self._weights @ (scores - mean) ** 2).max())

    def _scores(self) -> Floats:
        """What the band is about: relative force along the curve, shape (curves, currents)."""
        exponent = math.exp(float(np.average(self._cloud[:, 1], weights=self._weights)))
        scores: Floats = exponent * self._within(self._law(self._cloud))
        return scores

    def _within(self, speeds: Floats) -> Floats:
        """ln speeds, those beyond the plan's own just beyond: no answer says how far."""
        s = self.settings
        return np.clip(speeds, math.log(s.start_mm_s) - 0.05, math.log(s.max_mm_s) + 0.05)

    @property
    def done(self) -> bool:
        """Whether brackets or band are as narrow as asked, or the answers are used up."""
        if len(self.answers) >= self.settings.most_trials:
            return True
        if self.settings.band and self._known() and self.band <= self.settings.band:
            return True
        return all(self.settled(i) for i in range(len(self._forces)))

    def settled(self, current: int) -> bool:
        """Whether a current needs no more answers."""
        return (
            current in self._dropped
            or self.bracket(current) is not None
            or self.out_of_reach(current) is not None
            or self._has_stopped_rising(current)
        )

    def out_of_reach(self, current: int) -> Status | None:
        """``start-speed`` or ``speed-limit`` where the threshold lies beyond the plan's speeds."""
        s = self.settings
        mine = [a for a in self.answers if a.current == current]
        thresholds = self._thresholds(self._cloud)[:, current]
        below = float(self._weights[thresholds < math.log(s.start_mm_s)].sum())
        above = float(self._weights[thresholds > math.log(s.max_mm_s)].sum())
        if below >= _SURE and any(a.skipped and a.speed_mm_s <= s.start_mm_s for a in mine):
            return "start-speed"
        if above >= _SURE and any(not a.skipped and a.speed_mm_s >= s.max_mm_s for a in mine):
            return "speed-limit"
        return None

    def _known(self) -> bool:
        """Whether the thresholds of all currents are expected within a narrow stretch."""
        thresholds = self._within(self._thresholds(self._cloud))
        mean = self._weights @ thresholds
        spread = np.sqrt(self._weights @ (thresholds - mean) ** 2)
        return bool(spread.max() <= _KNOWN)

    def _has_stopped_rising(self, current: int) -> bool:
        """Whether a lower current already has a bracket at the melt limit."""
        law = self._weights @ self._law(self._cloud)
        if current < 2 or self.bracket(current - 1) is None:
            return False
        gained = (law[current] - law[current - 2]) / math.log(
            self._forces[current] / self._forces[current - 2]
        )
        return bool(gained < MELT_EXPONENT)

    def bracket(self, current: int) -> tuple[float, float] | None:
        """Clean and skipping speed of a current, from its own answers, as near as asked.

        The curve only says which answers are outvoted: a bracket that it thinks unlikely does not
        count.
        """
        clean = {a.speed_mm_s for a in self.answers if a.current == current and not a.skipped}
        skip = {a.speed_mm_s for a in self.answers if a.current == current and a.skipped}
        pairs = [
            (c, k)
            for c in clean
            for k in skip
            if 0.0 < math.log(k / c) <= _ROOM * math.log1p(self.settings.resolution)
        ]
        if not pairs:
            return None
        thresholds = self._thresholds(self._cloud)[:, current]
        room = self.settings.slope

        def mass(pair: tuple[float, float]) -> float:
            inside = (thresholds > math.log(pair[0]) - room) & (
                thresholds < math.log(pair[1]) + room
            )
            return float(self._weights[inside].sum())

        best = max(pairs, key=mass)
        return best if mass(best) >= _LIKELY else None

    def expected_mm_s(self, current: int) -> float:
        """Where the threshold of a current is expected, in mm/s."""
        thresholds = self._thresholds(self._cloud)[:, current]
        return math.exp(_quantile(thresholds, self._weights, 0.5))

    def summary(self, current: int) -> SearchResult | None:
        """The bracket of a current from its own answers alone; None where it was never asked.

        The curve only chose the questions: what it expected is not in the bracket.
        """
        mine = [a for a in self.answers if a.current == current]
        if not mine:
            return None
        s = self.settings
        bracket = self.bracket(current)
        search = ThresholdSearch(
            SearchSettings(
                start_mm_s=s.start_mm_s,
                max_mm_s=s.max_mm_s,
                resolution=_FINEST,
                error_rate=s.error_rate,
                slope=s.slope,
            )
        )
        for a in mine:
            if search.result is None:
                p_skip = 1.0 - a.p_wrong if a.skipped else a.p_wrong
                search.tell(a.speed_mm_s, Verdict.SKIP if a.skipped else Verdict.CLEAN, p_skip)
        result = search.so_far
        beyond = self.out_of_reach(current)
        if beyond == "start-speed":
            skips = [a.speed_mm_s for a in mine if a.skipped]
            return replace(result, status=beyond, clean_mm_s=None, skip_mm_s=min(skips))
        if beyond == "speed-limit":
            cleans = [a.speed_mm_s for a in mine if not a.skipped]
            return replace(result, status=beyond, clean_mm_s=max(cleans), skip_mm_s=None)
        if bracket is None:
            return result
        return replace(result, status="found", clean_mm_s=bracket[0], skip_mm_s=bracket[1])

    def ask(self) -> Choice | None:
        """The question that narrows the band most for its price; None when the plan is over."""
        if self.done:
            return None
        if self._known():
            choice = self._complete()
            if choice is not None:
                return choice
        return self._learn()

    def _complete(self) -> Choice | None:
        """The other end of the bracket that is nearest to being one, cheap ends first."""
        s = self.settings
        half = 0.5 * math.log1p(s.resolution)
        thresholds = self._thresholds(self._cloud)
        best: tuple[float, int, float] | None = None
        for current in range(len(self._forces)):
            if self.settled(current):
                continue
            column = thresholds[:, current]
            middle = _quantile(column, self._weights, 0.5)
            mine = [a for a in self.answers if a.current == current]
            near = 2.5 * half
            clean = any(
                not a.skipped and 0 <= middle - math.log(a.speed_mm_s) <= near for a in mine
            )
            skip = any(a.skipped and 0 <= math.log(a.speed_mm_s) - middle <= near for a in mine)
            lowest = min((math.log(a.speed_mm_s) for a in mine if a.skipped), default=math.inf)
            highest = max((math.log(a.speed_mm_s) for a in mine if not a.skipped), default=-9.9)
            wide = 2.0 * half
            for up in (True, False):
                if (up and skip and not clean) or (not up and clean and not skip):
                    continue
                asked = middle + half if up else middle - half
                if up and clean:
                    asked = min(asked, max(highest + wide, middle))
                if not up and skip:
                    asked = max(asked, min(lowest - wide, middle))
                asked = min(max(asked, math.log(s.start_mm_s)), self._allowed(current))
                if self._is_aside(current, asked):
                    continue
                p = float(self._weights @ normal_cdf((asked - column) / s.slope))
                right = p if up else 1.0 - p
                speed = math.exp(asked)
                price = self._price(speed, p)
                worth = right * (2.0 if (clean if up else skip) else 1.0) / price
                if best is None or worth > best[0]:
                    best = (worth, current, asked)
        return self._choice(best)

    def _learn(self) -> Choice | None:
        """The question that narrows the band most for its price."""
        s = self.settings
        thresholds = self._thresholds(self._cloud)
        scores = self._scores()
        weights = self._tilted(thresholds)
        mean = weights @ scores
        total = float((weights @ (scores - mean) ** 2).sum())
        best: tuple[float, int, float] | None = None
        for current in range(len(self._forces)):
            if current in self._dropped:
                continue
            top = self._allowed(current)
            for place in _PLACES:
                asked = min(_quantile(thresholds[:, current], weights, place), top)
                asked = max(math.log(s.start_mm_s), asked)
                if self._is_aside(current, asked):
                    continue
                skip = normal_cdf((asked - thresholds[:, current]) / s.slope)
                skip = s.error_rate + (1.0 - 2.0 * s.error_rate) * skip
                p = float(weights @ skip)
                left = 0.0
                for share, told in ((p, skip), (1.0 - p, 1.0 - skip)):
                    if share < 1e-6:
                        continue
                    after = weights * told / share
                    middle = after @ scores
                    left += share * float((after @ (scores - middle) ** 2).sum())
                speed = math.exp(asked)
                price = self._price(speed, p)
                gain = (total - left) / total if total > 0 else 0.0
                worth = gain / max(price, 1e-9)
                if best is None or worth > best[0]:
                    best = (worth, current, asked)
        return self._choice(best)

    def _price(self, speed_mm_s: float, p_skip: float) -> float:
        """What a trial costs on average."""
        return p_skip * self.cost(speed_mm_s, True) + (1.0 - p_skip) * self.cost(speed_mm_s, False)

    def _choice(self, best: tuple[float, int, float] | None) -> Choice | None:
        """The question of (worth, current, ln speed)."""
        if best is None:
            return None
        _, current, asked = best
        return Choice(current, self._spoken(current, asked))

    def _allowed(self, current: int) -> float:
        """ln of the greatest speed that may be asked at a current on the way up."""
        s = self.settings
        clean = [a.speed_mm_s for a in self.answers if not a.skipped and a.current <= current]
        top = max([s.start_mm_s, *clean]) * _GROWTH
        return math.log(min(top, s.max_mm_s))

    def _tilted(self, thresholds: Floats) -> Floats:
        """Weights, tilted by what got through in skips; only the choice of the question sees it."""
        weights = self._weights.copy()
        for current, through in self._through.items():
            # More gets through than nothing and less than the threshold: one-sided.
            under = np.minimum(thresholds[:, current] - through, 0.0) / _THROUGH_SPREAD
            over = np.maximum(thresholds[:, current] - through, 0.0) / (2.0 * _THROUGH_SPREAD)
            weights *= np.exp(-0.5 * (under**2 + over**2))
        total = weights.sum()
        return weights / total if total > 0 else self._weights

    def _is_aside(self, current: int, asked: float) -> bool:
        near = max(2.0 * self.settings.slope, 0.01)
        return any(c == current and abs(asked - x) < near for c, x in self._aside)

    def _spoken(self, current: int, asked: float) -> float:
        """Five digits, or an earlier speed that is as good as the same."""
        for answer in self.answers:
            if answer.current == current and abs(math.log(answer.speed_mm_s) - asked) < _SAME:
                return answer.speed_mm_s
        s = self.settings
        return min(max(float(f"{math.exp(asked):.5g}"), s.start_mm_s), s.max_mm_s)


def _quantile(values: Floats, weights: Floats, share: float) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order[min(int(np.searchsorted(total, share)), len(order) - 1)]])
