"""Bench files of virtual benches, and what their firmware is left with."""

from __future__ import annotations

from pathlib import Path

from rig.bench import load_bench
from rig.simulation.registry import prepare_world

REPOSITORY = Path(__file__).parents[3]
HARBOUR = REPOSITORY / "docs" / "benches" / "harbour.toml"
TAKES = REPOSITORY / "recordings"


def write_bench(
    path: Path, *, scenario: str = "harbour", options: str = "&warm=205", **lines: str
) -> Path:
    """The harbour bench, quicker, with lines of it replaced by others of the same key."""
    lines = {"sample_rate_hz": "24000", "trial_length_mm": "15.0"} | lines
    rows = []
    for row in HARBOUR.read_text(encoding="utf-8").splitlines():
        key = row.partition("=")[0].strip()
        rows.append(f"{key} = {lines.pop(key)}" if key in lines else row)
    assert not lines, f"not in the bench file: {lines}"
    text = "\n".join(rows) + "\n"
    assert "sim://harbour?seed=1" in text
    text = text.replace("sim://harbour?seed=1", f"sim://{scenario}?seed=1{options}")
    path.write_text(text, encoding="utf-8")
    return path


def firmware_state(path: Path) -> tuple[float, int]:
    """Target of the hot end in C and run current in mA, as the virtual firmware has them."""
    world = prepare_world(load_bench(path))
    return float(world.heater.target_c), int(world.firmware.registers.current_ma)
