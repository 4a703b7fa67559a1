"""A plan that learns: which current and which speed to try next, from everything seen so far. Pure.

Bisection finds one threshold after another, each as if the others said nothing. But thresholds lie
on a curve. This plan keeps a cloud of curves, ``F = F0 + K v^n`` with a melt limit or without, each
with its own small deviation at every current (so that a law that is not quite the hot end's cannot
make the band narrower than the answers allow), reweights it with each answer, and asks the question
that narrows the band most for what it costs: expected variance of the band before and after the
answer, per mm of filament or per second (expected loss reduction: Lindley 1956, Ann. Math. Stat.
27, 986; MacKay 1992, Neural Comput. 4, 590). The cloud is moved by resampling and Metropolis steps
(Chopin 2002, Biometrika 89, 539).

As long as a threshold may lie anywhere in a wide stretch, the question is put to a short trial, a
scout, which costs a part of a full one. In a short trial the pressure has hardly built up, so a
scout's answer counts as a blurred one, and never as an end of a bracket.

A skipping motor still pushes some filament: what an encoder saw of it says roughly where the
threshold is. (Clicks do not: a motor loses two to thirty cycles at one.) It only tilts the choice
of the next question; no answer and no result rests on it.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from detectors.evidence import Verdict
from rig.hints import MELT_EXPONENT
from rig.release import LastMove, leaves_too_much
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
#: The threshold lies this part of the way, in ln speed, from the speed that was asked down to what
#: got through of it, give or take this much (`tests/benchmarks/bench_through.py`).
_THROUGH_PART, _THROUGH_SPREAD = 0.4, 0.25
#: Standard deviations to the 95 % half width.
_HALF_WIDTH = 1.96
#: A current whose threshold is known no better than this, in ln speed, is scouted; and the blur of
#: a scout's answer, in ln speed.
_SCOUTED, _BLUR = 0.12, 0.06
#: A short trial runs clean a little beyond the threshold, in ln speed.
_EARLY = 0.02
#: Brackets are asked for once every threshold is expected within this, in ln speed.
_KNOWN = 0.08
#: A bracket wider than asked by this factor still counts; so does one of this probability.
_ROOM, _LIKELY = 1.25, 0.6
#: The other end of a bracket is asked for this much farther than the resolution says.
_AIMED = 1.1
#: Probability with which a threshold counts as out of reach.
_SURE = 0.8
#: Resolution of the brackets that are made of a current's own answers: they never end by it.
_FINEST = 0.002
#: A question this near an earlier one of the same current, in ln speed, is put at the same speed.
_SAME = 0.003
#: No speed of a current is asked more often.
_MOST_ASKED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class LearningSettings:
    """What is to be learnt.

    Attributes:
        forces_n: Force at each current, rising, in N, shape (currents,).
        start_mm_s: Lowest speed that may be asked for, in mm/s.
        max_mm_s: Greatest speed that may be asked for, in mm/s.
        resolution: Relative width of the bracket that each current gets from its own answers.
        band: Half width of the 95 % band of the fitted curve, relative to the force, where it is
            widest, at which to stop before all brackets are there; 0: never.
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
    """What was told of one current and speed, by a full trial or by a scout."""

    current: int
    speed_mm_s: float
    skipped: bool
    p_wrong: float
    scout: bool = False


@dataclass(frozen=True, slots=True)
class Choice:
    """The next question.

    Attributes:
        current: Index of the current.
        speed_mm_s: In mm/s.
        scout: Whether a short trial will do.
    """

    current: int
    speed_mm_s: float
    scout: bool = False


class LearningPlan:
    """Chooses current and speed, one question at a time.

    The same answers in the same order give the same questions: a plan is rebuilt from a ledger by
    telling it what was told before.

    Args:
        settings: What is to be learnt.
        cost: Price of a trial at a speed in mm/s, clean or (True) skipping, full or (True) a scout:
            mm of filament, or s.
        fitted_band: Half width of the band of the curve that the brackets so far would give,
            relative to the force, where it is widest; wanted where ``settings.band`` is.
        release_cost: Price of getting rid of what a clean move left that was faster and had more
            current than the next one.
    """

    def __init__(
        self,
        settings: LearningSettings,
        *,
        cost: Callable[[float, bool, bool], float],
        release_cost: float = 0.0,
        fitted_band: Callable[[], float] | None = None,
    ) -> None:
        if settings.band and fitted_band is None:
            raise ValueError("a plan that is to stop by its band has to be told the fit's")
        self.settings = settings
        self.cost = cost
        self.release_cost = release_cost
        self.fitted_band = fitted_band
        self.answers: list[LearntAnswer] = []
        self._through: dict[int, float] = {}  # ln of the threshold by what got through, by current
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
        blur = np.array([_BLUR if a.scout else self.settings.slope for a in answers])
        asked = asked - np.array([_EARLY if a.scout else 0.0 for a in answers])
        skips = normal_cdf((asked - self._thresholds(cloud)[:, which]) / blur)
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
        scout: bool = False,
    ) -> None:
        """Take the verdict on a current and speed.

        Args:
            current: Index of the current.
            speed_mm_s: The speed that was tried, in mm/s.
            skipped: What the detector says.
            p_skip: Its probability that the motor skipped; it may only soften the verdict.
            through_mm_s: Speed of the filament that got through while the motor skipped, in mm/s,
                where that is known; tilts the next question only.
            scout: Whether it was a short trial.
        """
        wrong = self.settings.error_rate
        if p_skip is not None and math.isfinite(p_skip):
            doubt = 1.0 - p_skip if skipped else p_skip
            wrong = max(wrong, min(0.25, doubt))
        answer = LearntAnswer(current, speed_mm_s, skipped, wrong, scout)
        self.answers.append(answer)
        if skipped and through_mm_s is not None and 0.0 < through_mm_s < speed_mm_s:
            self._through[current] = math.log(threshold_by_through(speed_mm_s, through_mm_s))
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
        """Half width of the 95 % band of the cloud, relative to the force, where it is widest."""
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
        if self._band_is_reached():
            return True
        return all(self.settled(i) for i in range(len(self._forces)))

    def _band_is_reached(self) -> bool:
        """Whether the fit has the band that was asked for, over all currents that can be had.

        The cloud only says when it is worth asking: it has scouts and a prior, which the fit has
        not.
        """
        asked = self.settings.band
        if not asked or self.fitted_band is None or not self._known() or self.band > asked:
            return False
        for end in self._ends():  # or the fitted range would not be the plan's
            found = self.summary(end)
            if found is None or found.clean_mm_s is None or found.skip_mm_s is None:
                return False
        return self.fitted_band() <= asked

    def _ends(self) -> list[int]:
        """The lowest and the highest current that can have a bracket."""
        reach = [
            current
            for current in range(len(self._forces))
            if current not in self._dropped
            and self.out_of_reach(current) is None
            and not self._has_stopped_rising(current)
        ]
        return reach[:1] + reach[-1:]

    def settled(self, current: int) -> bool:
        """Whether a current needs no more answers."""
        return (
            current in self._dropped
            or self.bracket(current) is not None
            or self.out_of_reach(current) is not None
            or self._has_stopped_rising(current)
        )

    def _full(self, current: int) -> list[LearntAnswer]:
        """Answers of a current that may be an end of its bracket."""
        return [a for a in self.answers if a.current == current and not a.scout]

    def out_of_reach(self, current: int) -> Status | None:
        """``start-speed`` or ``speed-limit`` where the threshold lies beyond the plan's speeds."""
        s = self.settings
        mine = self._full(current)
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

        The curve only says which answers are outvoted: a bracket that it thinks unlikely counts
        only once both its ends were told twice.
        """
        best, mass = self._pair(current)
        if best is None:
            return None
        sure = mass >= _LIKELY or self._doubted(current) is None
        return best if sure else None

    def _pair(self, current: int) -> tuple[tuple[float, float] | None, float]:
        """Clean and skipping speed that are near enough, the most probable ones, and how probable
        the curves think it that the threshold is between them."""
        mine = self._full(current)
        clean = {a.speed_mm_s for a in mine if not a.skipped}
        skip = {a.speed_mm_s for a in mine if a.skipped}
        pairs = [
            (c, k)
            for c in clean
            for k in skip
            if 0.0 < math.log(k / c) <= _ROOM * math.log1p(self.settings.resolution)
        ]
        if not pairs:
            return None, 0.0
        thresholds = self._thresholds(self._cloud)[:, current]
        room = self.settings.slope

        def mass(pair: tuple[float, float]) -> float:
            inside = (thresholds > math.log(pair[0]) - room) & (
                thresholds < math.log(pair[1]) + room
            )
            return float(self._weights[inside].sum())

        best = max(pairs, key=mass)
        return best, mass(best)

    def _doubted(self, current: int) -> float | None:
        """ln of an end of a bracket that the curve doubts and that was not told twice; None where
        there is no such bracket, or where both ends were and nothing speaks against them."""
        pair, mass = self._pair(current)
        if pair is None or mass >= _LIKELY:
            return None
        mine = self._full(current)
        votes = {
            end: sum(a.skipped == skipped and a.speed_mm_s == end for a in mine)
            for end, skipped in zip(pair, (False, True), strict=True)
        }
        end = min(votes, key=lambda one: votes[one])
        against = any(
            (a.skipped and a.speed_mm_s <= pair[0]) or (not a.skipped and a.speed_mm_s >= pair[1])
            for a in mine
        )
        return math.log(end) if votes[end] < 2 or against else None

    def expected_mm_s(self, current: int) -> float:
        """Where the threshold of a current is expected, in mm/s."""
        thresholds = self._thresholds(self._cloud)[:, current]
        return math.exp(_quantile(thresholds, self._weights, 0.5))

    def summary(self, current: int) -> SearchResult | None:
        """The bracket of a current from its own full trials alone; None where it had none.

        The curve only chose the questions: what it expected is not in the bracket.
        """
        mine = self._full(current)
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
        if not self._known():
            return self._learn()
        # Where no bracket can be completed as it should, the currents without one are asked what
        # can still be asked of them; the others have told what they can. A band needs both ends of
        # its range.
        open_ones = [i for i in range(len(self._forces)) if not self.settled(i)]
        ends = [i for i in self._ends() if i in open_ones] if self.settings.band else []
        return self._complete(ends) or self._complete(open_ones) or self._learn(open_ones)

    def _complete(self, currents: Sequence[int]) -> Choice | None:
        """The other end of the bracket that is nearest to being one, cheap ends first."""
        s = self.settings
        half = 0.5 * math.log1p(s.resolution)
        thresholds = self._thresholds(self._cloud)
        best: tuple[float, int, float] | None = None
        for current in currents:
            column = thresholds[:, current]
            middle = _quantile(column, self._weights, 0.5)
            mine = self._full(current)
            near = 2.5 * half
            clean = any(
                not a.skipped and 0 <= middle - math.log(a.speed_mm_s) <= near for a in mine
            )
            skip = any(a.skipped and 0 <= math.log(a.speed_mm_s) - middle <= near for a in mine)
            lowest = min((math.log(a.speed_mm_s) for a in mine if a.skipped), default=math.inf)
            highest = max((math.log(a.speed_mm_s) for a in mine if not a.skipped), default=-9.9)
            wide = _AIMED * 2.0 * half
            doubted = self._doubted(current)
            for up in (True, False):
                if (up and skip and not clean) or (not up and clean and not skip):
                    continue
                asked = middle
                if doubted is not None:
                    asked = doubted
                elif up and clean:
                    asked = max(highest + wide, middle)
                elif not up and skip:
                    asked = min(lowest - wide, middle)
                asked = min(max(asked, math.log(s.start_mm_s)), self._allowed(current))
                if self._is_aside(current, asked):
                    # A wider bracket, round what cannot be told, is better than half of one.
                    asked = self._beside(current, asked, up=up)
                    allowed = math.log(s.start_mm_s) <= asked <= self._allowed(current)
                    if not (allowed and highest < asked < lowest):
                        continue
                if self._is_worn(current, asked):
                    continue
                p = float(self._weights @ normal_cdf((asked - column) / s.slope))
                right = p if up else 1.0 - p
                speed = math.exp(asked)
                price = self._price(current, speed, p, scout=False)
                worth = right * (2.0 if (clean if up else skip) else 1.0) / price
                if best is None or worth > best[0]:
                    best = (worth, current, asked)
        return self._choice(best)

    def _learn(self, currents: Sequence[int] | None = None) -> Choice | None:
        """The question that narrows the band most for its price, of all currents or of some."""
        s = self.settings
        thresholds = self._thresholds(self._cloud)
        scores = self._scores()
        weights = self._tilted(thresholds)
        mean = weights @ scores
        total = float((weights @ (scores - mean) ** 2).sum())
        best: tuple[float, int, float] | None = None
        short = False
        for current in range(len(self._forces)) if currents is None else currents:
            if current in self._dropped:
                continue
            top = self._allowed(current)
            column = thresholds[:, current]
            spread = float(np.sqrt(weights @ (column - weights @ column) ** 2))
            for place in _PLACES:
                asked = min(_quantile(column, weights, place), top)
                asked = max(math.log(s.start_mm_s), asked)
                if self._is_aside(current, asked) or self._is_worn(current, asked):
                    continue
                scout = spread > _SCOUTED and asked < math.log(s.max_mm_s)
                scout = scout and asked > math.log(s.start_mm_s)
                skip = normal_cdf((asked - column) / (_BLUR if scout else s.slope))
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
                price = self._price(current, speed, p, scout=scout)
                gain = (total - left) / total if total > 0 else 0.0
                worth = gain / max(price, 1e-9)
                if best is None or worth > best[0]:
                    best, short = (worth, current, asked), scout
        return self._choice(best, scout=short)

    def _price(self, current: int, speed_mm_s: float, p_skip: float, *, scout: bool) -> float:
        """What a trial costs on average, with what has to go before it."""
        skipping, clean = (self.cost(speed_mm_s, skips, scout) for skips in (True, False))
        price = p_skip * skipping + (1.0 - p_skip) * clean
        # After a skip there is fresh filament anyway, which is in the price of the skip.
        last = self.answers[-1] if self.answers else None
        if last is not None and not last.skipped:
            move = LastMove(self._forces[last.current], last.speed_mm_s, clean=True)
            if leaves_too_much(move, current_a=self._forces[current], speed_mm_s=speed_mm_s):
                price += self.release_cost
        return price

    def _choice(
        self, best: tuple[float, int, float] | None, *, scout: bool = False
    ) -> Choice | None:
        """The question of (worth, current, ln speed)."""
        if best is None:
            return None
        _, current, asked = best
        return Choice(current, self._spoken(current, asked), scout)

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
            off = (thresholds[:, current] - through) / _THROUGH_SPREAD
            weights *= 1.0 / (1.0 + off**2)  # heavy-tailed: it may be a motor of another kind
        total = weights.sum()
        return weights / total if total > 0 else self._weights

    @property
    def _near(self) -> float:
        """How near to a speed that was set aside no other is asked, in ln speed."""
        return max(2.0 * self.settings.slope, 0.01)

    def _is_aside(self, current: int, asked: float) -> bool:
        return any(c == current and abs(asked - x) < self._near for c, x in self._aside)

    def _beside(self, current: int, asked: float, *, up: bool) -> float:
        """The next speed above or below that is not near one that was set aside, in ln speed."""
        while self._is_aside(current, asked):
            asked += 0.25 * self._near if up else -0.25 * self._near
        return asked

    def _is_worn(self, current: int, asked: float) -> bool:
        """Whether a speed was asked so often that once more says nothing new."""
        speed = self._spoken(current, asked)
        told = sum(a.current == current and a.speed_mm_s == speed for a in self.answers)
        return told >= _MOST_ASKED

    def _spoken(self, current: int, asked: float) -> float:
        """Five digits, or an earlier speed that is as good as the same."""
        for answer in self.answers:
            if answer.current == current and abs(math.log(answer.speed_mm_s) - asked) < _SAME:
                return answer.speed_mm_s
        s = self.settings
        return min(max(float(f"{math.exp(asked):.5g}"), s.start_mm_s), s.max_mm_s)


def threshold_by_through(speed_mm_s: float, through_mm_s: float) -> float:
    """Roughly the threshold speed, from what got through at a greater one, in mm/s.

    A motor that skips falls back until it catches a step, and loses the more the further it is
    overdriven; the threshold lies between what was asked and what got through.
    """
    return speed_mm_s * math.pow(through_mm_s / speed_mm_s, _THROUGH_PART)


def _quantile(values: Floats, weights: Floats, share: float) -> float:
    order = np.argsort(values)
    total = np.cumsum(weights[order])
    return float(values[order[min(int(np.searchsorted(total, share)), len(order) - 1)]])
