"""How trains of clicks are weighed: lone clicks, crowds of them, clocks and broken tones."""

from __future__ import annotations

from dataclasses import replace

import pytest

from detectors.sequential import CROWD, LONE_MORE, TrainStep, calibrated, weigh_steps
from detectors.settings import DetectorSettings

SETTINGS = DetectorSettings()
LEAST = SETTINGS.decide_skip


def steps(count: int, *, first: int = 1, clock: bool = False, breaks: int = 0) -> list[TrainStep]:
    """Steps of a train whose features do not matter, for the trees' word is given."""
    return [
        TrainStep(
            time_s=0.25 * number,
            number=number,
            features=(),
            look=(),
            times_s=tuple(0.25 * n for n in range(1, number + 1)),
            clock=clock,
            breaks=breaks,
            kept=None,
        )
        for number in range(first, first + count)
    ]


def test_a_lone_click_is_asked_for_more_than_a_train_of_two() -> None:
    below, above = LEAST + LONE_MORE - 0.01, LEAST + LONE_MORE + 0.01
    assert weigh_steps(steps(1), [below], SETTINGS).decided_s is None
    assert weigh_steps(steps(1), [above], SETTINGS).decided_s == pytest.approx(0.25)
    assert weigh_steps(steps(2), [below, LEAST], SETTINGS).decided_s == pytest.approx(0.5)


def test_many_clicks_are_asked_for_more() -> None:
    last, many = 0.25 * CROWD, 3 * CROWD
    assert weigh_steps(steps(1, first=CROWD), [LEAST], SETTINGS).decided_s == pytest.approx(last)
    assert weigh_steps(steps(1, first=many), [LEAST + 1.0], SETTINGS).decided_s is None
    assert weigh_steps(steps(1, first=many), [LEAST + 2.0], SETTINGS).decided_s is not None


def test_a_clock_does_not_decide_unless_it_breaks_the_tone() -> None:
    assert weigh_steps(steps(4, clock=True), [9.0] * 4, SETTINGS).decided_s is None
    assert weigh_steps(steps(4, clock=True, breaks=2), [9.0] * 4, SETTINGS).decided_s is not None


@pytest.mark.parametrize("breaks", [1, 2])
def test_a_broken_tone_is_suspect_and_no_skip_by_itself(breaks: int) -> None:
    """A fan that starts may drown the tone as well."""
    found = weigh_steps(steps(3, breaks=breaks), [-4.0] * 3, SETTINGS)
    assert found.decided_s is None
    assert found.llr == pytest.approx(SETTINGS.suspect_skip)


def test_the_verdict_stands_on_what_decided_and_not_on_what_came_after() -> None:
    found = weigh_steps(steps(4), [0.0, LEAST + 0.5, LEAST + 3.0, 1.0], SETTINGS)
    assert found.decided_s == pytest.approx(0.5)
    assert found.log_odds == pytest.approx(LEAST + 0.5)
    assert found.llr == pytest.approx(LEAST + 3.0)


def test_other_settings_move_the_lone_click_too() -> None:
    strict = replace(SETTINGS, decide_skip=LEAST + 2.0)
    assert weigh_steps(steps(1), [LEAST + 2.0], strict).decided_s is None
    assert weigh_steps(steps(1), [LEAST + 2.0 + LONE_MORE], strict).decided_s is not None


@pytest.mark.parametrize("llr", [-60.0, -2.0, 0.0, 3.0, 60.0])
def test_probabilities_lie_between_0_and_1_and_rise(llr: float) -> None:
    assert 0.0 < calibrated(llr, SETTINGS) < 1.0
    assert calibrated(llr + 0.1, SETTINGS) >= calibrated(llr, SETTINGS)
