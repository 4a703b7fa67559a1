"""A small run whose curves are made by hand, so that no fit is needed to draw it."""

from __future__ import annotations

import math
from typing import Any

import pytest

from rig.bench import parse_bench
from rig.bench_template import TEMPLATE
from rig.curves.curveset import Candidate, Curve, CurveSet, Parameter, Point, Row
from rig.curves.points import Threshold
from rig.report.data import ReportData, TrialRow

AREA_MM2 = math.pi * 1.75**2 / 4


def threshold(temperature_c: float, current_a: float, flow: float, **more: Any) -> Threshold:
    """A threshold of 3 % around a flow."""
    speed = flow / AREA_MM2
    given = {"clean_mm_s": 0.985 * speed, "skip_mm_s": 1.015 * speed, **more}
    return Threshold(
        temperature_c, 105.0 * current_a, current_a=current_a, applied_a=current_a, **given
    )


def curve(temperature_c: float, factor: float, *, limit: Parameter | None = None) -> Curve:
    """F = factor Q^0.55 with two bands."""
    flows = [0.8 + 0.17 * k for k in range(41)]
    rows = tuple(
        Row(
            flow_mm3_s=q,
            force_n=(f := factor * q**0.55),
            lower_n=0.98 * f,
            upper_n=1.02 * f,
            total_lower_n=0.87 * f,
            total_upper_n=1.14 * f,
            slope_n_s_mm3=0.55 * f / q,
        )
        for q in flows
    )
    points = [
        Point(threshold(temperature_c, i, (105 * i / factor) ** (1 / 0.55)), True, 0.4, None)
        for i in (0.3, 0.5, 0.6)
    ]
    points.append(
        Point(
            threshold(temperature_c, 0.1, 0.7, clean_mm_s=None, excluded="start-speed"),
            False,
            None,
            None,
        )
    )
    points.append(
        Point(threshold(temperature_c, 0.7, 8.2, excluded="<slip & co>"), False, None, None)
    )
    parameters = {"resistance": Parameter(factor, 0.3, factor - 0.6, factor + 0.6, "N (s/mm3)^n")}
    if limit is not None:
        parameters["melt_limit_mm3_s"] = limit
    return Curve(
        temperature_c=temperature_c,
        model="smooth",
        parameters=parameters,
        covariance=((0.09,),),
        table=rows,
        points=tuple(points),
        candidates=(Candidate("power", -10.0, 0.8, 9.0, 3), Candidate("smooth", -8, 0.2, 9.1, 4)),
        scatter=Parameter(0.012, 0.004, 0.006, 0.03, "1"),
        scale_uncertainty=0.06,
        notes=("measure next at about 109 N",),
    )


@pytest.fixture
def curves() -> CurveSet:
    return CurveSet(
        curves=(
            curve(205.0, 24.0, limit=Parameter(8.1, 0.3, 7.6, 8.9, "mm3/s")),
            curve(220.0, 20.0),
        ),
        bench_digest="0123456789abcdef",
        budget={
            "scale": 0.06,
            "curves": [
                {
                    "where": "205 C, 2 mm3/s",
                    "components": [
                        {
                            "name": "torque of the motor",
                            "standard": 0.058,
                            "kind": "scale",
                            "share": 0.9,
                            "improve": "measure it",
                        },
                        {
                            "name": "brackets of the search",
                            "standard": 0.01,
                            "kind": "shape",
                            "share": 0.1,
                            "improve": "finer",
                        },
                    ],
                }
            ],
        },
    )


@pytest.fixture
def data(curves: CurveSet) -> ReportData:
    trials = []
    for one in curves.curves:
        for point in one.points[:3]:
            for factor in (0.7, 0.98, 1.02, 1.3):
                number = len(trials) + 1
                skips = factor > 1
                trials.append(
                    TrialRow(
                        number=number,
                        temperature_c=one.temperature_c,
                        current_a=point.threshold.current_a or 0.0,
                        speed_mm_s=factor * point.threshold.middle_mm3_s / AREA_MM2,
                        verdict="skip" if skips else "clean",
                        reason="click-train" if skips else "heard-throughout",
                        p_skip=0.9999 if skips else 0.004,
                        clicks=7 if skips else 0,
                        duration_s=4.2,
                        filament_mm=30.0,
                        explanation="a regular train of clicks" if skips else "heard throughout",
                    )
                )
    trials.append(TrialRow(len(trials) + 1, 205.0, 0.5, 2.0, "void", "too-noisy"))
    trials.append(TrialRow(len(trials) + 1, 205.0, 0.7, 3.3, "slip", "length-lost-smoothly"))
    return ReportData(
        bench=parse_bench(TEMPLATE),
        curves=curves,
        trials=tuple(trials),
        simulated=True,
        started="4 May 2031, 22:10",
        ended="5 May 2031, 03:41",
        name="harbour 7",
        warnings=("a lamp <flickered> & hummed",),
    )
