"""Figures of a detector over labelled takes: rates with bounds, latency, calibration, the worst.

Bounds are those of Clopper and Pearson (Biometrika 1934, 26, 404), two-sided 95 %, so that an upper
bound for none in n is about 3.7/n.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from detectors.evidence import Judgement, Verdict
from detectors.takes import Take


@dataclass(frozen=True, slots=True)
class Rate:
    """How often something happened.

    Attributes:
        count: Of how many it did.
        total: Of how many it could have.
        lower: Lower bound of the rate, 95 %, two-sided.
        upper: Upper bound.
    """

    count: int
    total: int
    lower: float
    upper: float

    @property
    def value(self) -> float:
        """The rate itself; nan of none."""
        return self.count / self.total if self.total else math.nan

    def __str__(self) -> str:
        if not self.total:
            return "none of none"
        return (
            f"{self.count} of {self.total} = {100 * self.value:.2f} % "
            f"({100 * self.lower:.2f} to {100 * self.upper:.2f} %)"
        )


def rate(count: int, total: int, *, confidence: float = 0.95) -> Rate:
    """A rate with its Clopper-Pearson bounds."""
    from scipy.stats import beta

    if total == 0:
        return Rate(0, 0, 0.0, 1.0)
    tail = (1.0 - confidence) / 2.0
    lower = 0.0 if count == 0 else float(beta.ppf(tail, count, total - count + 1))
    upper = 1.0 if count == total else float(beta.ppf(1.0 - tail, count + 1, total - count))
    return Rate(count, total, lower, upper)


@dataclass(frozen=True, slots=True)
class Bin:
    """One bin of a reliability diagram.

    Attributes:
        said: Mean probability that was given.
        came: How often it was so.
    """

    said: float
    came: Rate


@dataclass(frozen=True, slots=True)
class WrongTake:
    """A take whose label and verdict differ.

    Attributes:
        file: Of the take, with its set.
        label: What it is.
        verdict: What was said.
        reason: Why.
        p_skip: Probability given to a skip.
        surprise: Minus the logarithm of the probability given to the truth.
    """

    file: str
    label: str
    verdict: str
    reason: str
    p_skip: float
    surprise: float


@dataclass(frozen=True, slots=True)
class Scores:
    """All figures.

    Attributes:
        confusion: (label, verdict) to number of takes.
        missed: Skips called clean.
        false_skip: Clean takes called skip.
        void_clean: Clean takes called void.
        void_skip: Skips called void.
        latency_s: Median time from the first skip to the verdict; None where no skip was called.
        reliability: Bins of p_skip over clean and skip takes.
        worst: Takes that went wrong, worst first.
        stated: Of each clean and skip take, p_skip as stated and whether it did skip.
    """

    confusion: Mapping[tuple[str, str], int]
    missed: Rate
    false_skip: Rate
    void_clean: Rate
    void_skip: Rate
    latency_s: float | None
    reliability: tuple[Bin, ...] = ()
    worst: tuple[WrongTake, ...] = field(default=())
    stated: tuple[tuple[float, bool], ...] = ()

    def to_document(self) -> dict[str, Any]:
        """For ``--json``: finite numbers or None."""

        def one(value: Rate) -> dict[str, float | int | None]:
            return {
                "count": value.count,
                "total": value.total,
                "rate": value.value if value.total else None,
                "lower": value.lower,
                "upper": value.upper,
            }

        return {
            "confusion": [
                {"label": label, "verdict": verdict, "takes": number}
                for (label, verdict), number in sorted(self.confusion.items())
            ],
            "missed": one(self.missed),
            "false_skip": one(self.false_skip),
            "void_clean": one(self.void_clean),
            "void_skip": one(self.void_skip),
            "latency_s": self.latency_s,
            "reliability": [{"said": b.said, "came": one(b.came)} for b in self.reliability],
            "worst": [
                {name: getattr(wrong, name) for name in WrongTake.__slots__} for wrong in self.worst
            ],
        }

    def lines(self) -> list[str]:
        """For a person."""
        labels = sorted({label for label, _ in self.confusion})
        table = [f"{'label':>8} " + " ".join(f"{v.value:>7}" for v in Verdict)]
        for label in labels:
            counts = (self.confusion.get((label, v.value), 0) for v in Verdict)
            table.append(f"{label:>8} " + " ".join(f"{n:>7}" for n in counts))
        latency = "none" if self.latency_s is None else f"{self.latency_s:.3f} s"
        return [
            *table,
            f"skips called clean: {self.missed}",
            f"clean called skip:  {self.false_skip}",
            f"clean called void:  {self.void_clean}",
            f"skips called void:  {self.void_skip}",
            f"median time from the first skip to the verdict: {latency}",
            *(
                f"said to skip with p {b.said:.2f} on average: {b.came} skipped"
                for b in self.reliability
            ),
        ]


def reliability(said: Sequence[float], so: Sequence[bool], *, bins: int = 10) -> tuple[Bin, ...]:
    """Bins of equal width in probability; empty ones are left out."""
    found: list[Bin] = []
    for number in range(bins):
        low, high = number / bins, (number + 1) / bins
        inside = [
            i for i, p in enumerate(said) if low <= p < high or (number == bins - 1 and p == 1.0)
        ]
        if inside:
            mean = sum(said[i] for i in inside) / len(inside)
            found.append(Bin(mean, rate(sum(so[i] for i in inside), len(inside))))
    return tuple(found)


def score_takes(takes: Sequence[Take], judgements: Sequence[Judgement]) -> Scores:
    """Figures over labelled takes; those without a label are left out."""
    pairs = [(t, j) for t, j in zip(takes, judgements, strict=True) if t.label is not None]
    confusion = Counter((str(t.label), str(j.verdict)) for t, j in pairs)
    skips = [(t, j) for t, j in pairs if t.label is Verdict.SKIP]
    cleans = [(t, j) for t, j in pairs if t.label is Verdict.CLEAN]
    told = sorted(
        j.decided_s - t.first_skip_s
        for t, j in skips
        if j.verdict is Verdict.SKIP and t.first_skip_s is not None
    )
    stated = tuple((j.p_skip, t.label is Verdict.SKIP) for t, j in skips + cleans)
    worst = []
    for take, judgement in pairs:
        if take.label is judgement.verdict:
            continue
        p = judgement.p_skip
        truth = p if take.label is Verdict.SKIP else 1.0 - p
        worst.append(
            WrongTake(
                file=str(take.path),
                label=str(take.label),
                verdict=str(judgement.verdict),
                reason=str(judgement.reason),
                p_skip=p,
                # A void costs a repetition; a wrong word falsifies the curve.
                surprise=-math.log(max(truth, 1e-9))
                + (0.0 if judgement.verdict is Verdict.VOID else 5.0),
            )
        )
    worst.sort(key=lambda wrong: -wrong.surprise)

    def share(pairs: Sequence[tuple[Take, Judgement]], verdict: Verdict) -> Rate:
        return rate(sum(j.verdict is verdict for _, j in pairs), len(pairs))

    return Scores(
        confusion=dict(confusion),
        missed=share(skips, Verdict.CLEAN),
        false_skip=share(cleans, Verdict.SKIP),
        void_clean=share(cleans, Verdict.VOID),
        void_skip=share(skips, Verdict.VOID),
        latency_s=told[len(told) // 2] if told else None,
        reliability=reliability([p for p, _ in stated], [so for _, so in stated]),
        worst=tuple(worst),
        stated=stated,
    )
