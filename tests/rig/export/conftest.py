"""A curve document of two temperatures with a known law: F = 3 + 20 Q^0.6 at 205 C."""

from __future__ import annotations

from typing import Any

import pytest


def law(flow: float, factor: float) -> tuple[float, float]:
    """Force in N and slope in N s/mm3 at a flow in mm3/s."""
    return 3.0 + factor * flow**0.6, 0.6 * factor * flow**-0.4


@pytest.fixture
def document() -> dict[str, Any]:
    curves = []
    for temperature_c, factor, highest in ((205.0, 20.0, 12.0), (220.0, 16.0, 14.5)):
        flows = [1.0 + (highest - 1.0) * k / 40 for k in range(41)]
        table = []
        for flow in flows:
            force, slope = law(flow, factor)
            table.append(
                {
                    "flow_mm3_s": flow,
                    "force_n": force,
                    "lower_n": 0.95 * force,
                    "upper_n": 1.06 * force,
                    "total_lower_n": 0.89 * force,
                    "total_upper_n": 1.12 * force,
                    "slope_n_s_mm3": slope,
                }
            )
        points = [
            {
                "temperature_c": temperature_c,
                "force_n": law(flow, factor)[0],
                "clean_mm_s": 0.98 * flow / 2.405,
                "skip_mm_s": None if flow > 9 else 1.02 * flow / 2.405,
                "current_a": 0.1 * k,
                "applied_a": 0.1 * k,
                "filament_diameter_mm": 1.75,
                "excluded": "melt-limit" if flow > 9 else None,
                "fitted": flow < 9,
                "residual": 0.01,
                "remark": None,
                "run": "first",
                "repeat": 0,
            }
            for k, flow in enumerate((2.0, 4.0, 7.0, 10.0), start=3)
        ]
        curves.append(
            {
                "temperature_c": temperature_c,
                "model": "power",
                "parameters": {
                    "yield_n": {"value": 3.0, "standard_error": 0.2},
                    "factor": {"value": factor, "standard_error": 0.5},
                    "exponent": {"value": 0.6, "standard_error": 0.01},
                },
                "table": table,
                "points": points,
            }
        )
    return {
        "curves": curves,
        "bench_digest": "0123456789abcdef",
        "level": 0.95,
        "provenance": {"simulated": True},
    }
