"""The bench file: what is taken, what is refused, and in which words."""

from __future__ import annotations

import hashlib
import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.bench import Bench, load_bench, parse_bench
from rig.bench_errors import find_line
from rig.bench_template import TEMPLATE
from rig.errors import BenchFileError


def changed(old: str, new: str) -> str:
    assert old in TEMPLATE
    return TEMPLATE.replace(old, new, 1)


def refusal(text: str) -> str:
    with pytest.raises(BenchFileError) as caught:
        parse_bench(text)
    return str(caught.value)


def test_the_template_is_a_bench_without_warnings() -> None:
    bench = parse_bench(TEMPLATE)
    assert bench.drive.ratio == pytest.approx(50 / 17)
    assert bench.warnings() == []
    assert bench.chain().force_n(0.8) == pytest.approx(
        2 * 3.14159265 * 0.8 * 0.13 * 50 / 17 * 0.88 / 0.0225
    )


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("rated_current_a = 1.0", "rated_current_a = -1.0", ("motor.rated_current_a", "-1.0")),
        ("rated_current_a = 1.0", "rated_curent_a = 1.0", ("did you mean rated_current_a?",)),
        ('"rms"  ', '"mean"', ("driver.current_unit", "'mean'", '"rms" or "peak"')),
        ("microsteps = 16", "microsteps = 12", ("driver.microsteps", "12", "power of two")),
        ("[limits]", "[limit]", ("unknown table [limit]", "did you mean limits?")),
        ("0.7, 0.8]", "0.7, 0.95]", ("plan.currents_a", "0.95", "up to 0.9 A")),
        ("[205.0,", "[305.0,", ("plan.temperatures_c", "305", "up to 260 C")),
        ("_nm = 0.13", '_nm = "0.13"', ("motor.holding_torque_nm", "'0.13'", "must be a number")),
        ("max_current_a = 0.9", "max_current_a = 1.9", ("limits.max_current_a", "up to 1.2 A")),
        ('"50:17"  ', '"50-17"', ("drive.gear_ratio", "50-17", "driven:driving")),
        ('"50:17"  ', "0.0", ("drive.gear_ratio", "0.0")),
        ("baud = 115200", "baud = 115200.5", ("link.baud", "whole number")),
        ("[0.3, 0.4,", "[0.4, 0.3,", ("plan.currents_a", "rising")),
        ("[0.3, 0.4,", "[0.3, true,", ("plan.currents_a", "True", "must be a number")),
        ("h_mm = 30.0", "h_mm = nan", ("plan.trial_length_mm", "nan", "finite")),
        ("max_hours = 10.0", "", ("[limits]", "lacks the key max_hours")),
        ('device = "sim"', 'device = "none"', ("microphone.device", "only with an encoder")),
        ("start_speed_mm_s = 1.0", "start_speed_mm_s = 25.0", ("start_speed", "below 20 mm/s")),
        ("inductance_mh = 3.0", "", ("[motor]", "resistance_ohm and inductance_mh both")),
        ("[205.0, 220.0]", "[205.0, 205.0]", ("plan.temperatures_c", "twice")),
        ("max_hours = 10.0", "max_hours = 200.0", ("limits.max_hours", "at most 72")),
        ("holding_torque_nm = 0.13", "", ("[motor] lacks the key holding_torque_nm", "torque_t")),
        (
            "# torque_table = ",
            "torque_table = ",
            ("[motor] has both holding_torque_nm and torque_table",),
        ),
        ("filament_per_turn_mm = 22.5", "", ("[drive] lacks the key filament_per_turn_mm",)),
        ("per_turn = 200", "per_turn = 201", ("steps_per_turn", "201", "multiple of 4", "400")),
    ],
)
def test_refusals_name_file_line_key_value_and_range(old, new, words) -> None:
    message = refusal(changed(old, new))
    assert message.startswith("bench.toml")
    for word in words:
        assert word in message
    assert all(line.startswith("bench.toml") for line in message.splitlines())


def test_a_refusal_points_at_the_line() -> None:
    text = changed("supply_v = 24.0", "supply_v = 400.0")
    line = next(n for n, row in enumerate(text.splitlines(), 1) if row.startswith("supply_v"))
    assert refusal(text).startswith(f"bench.toml:{line}: driver.supply_v = 400.0")


def test_two_currents_that_the_driver_makes_one_are_refused() -> None:
    text = changed("# full_scale_a = 1.77 ", "full_scale_a = 1.77\n#")
    text = text.replace("# current_levels = 32", "current_levels = 32")
    text = text.replace("[0.3, 0.4,", "[0.3, 0.39, 0.4,")
    assert "both make 0.387 A RMS" in refusal(text)


def test_peak_drivers_are_limited_in_their_own_unit() -> None:
    text = changed('"rms"  ', '"peak"').replace("max_current_a = 0.9", "max_current_a = 1.6")
    bench = parse_bench(text)
    assert "above the motor's rated" in bench.warnings()[0]
    assert "up to 1.7 A peak" in refusal(text.replace("= 1.6", "= 1.75"))


def test_every_fault_is_told_at_once() -> None:
    text = changed("rated_current_a = 1.0", "rated_current_a = 0")
    text = text.replace("nozzle_mm = 0.4", "nozzle_mm = 40.0")
    assert len(refusal(text).splitlines()) == 2


def test_a_missing_file_says_how_to_make_one(tmp_path) -> None:
    with pytest.raises(BenchFileError, match="stallcurve init"):
        load_bench(tmp_path / "none.toml")


@pytest.mark.parametrize("text", ["", "motor = 3", "[motor]\nx", "\x00", "[[motor]]"])
def test_nonsense_is_refused(text: str) -> None:
    assert refusal(text).startswith("bench.toml")


def test_the_digest_knows_what_matters() -> None:
    bench = parse_bench(TEMPLATE)
    moved = parse_bench(changed('port = "sim://"  ', 'port = "/dev/ttyX9"'))
    hotter = parse_bench(changed("[205.0,", "[206.0,"))
    assert bench.digest() == moved.digest() != hotter.digest()


def test_the_schema_for_editors_holds_every_table() -> None:
    schema = Bench.model_json_schema()
    assert set(schema["properties"]) == set(Bench.model_fields)


@given(
    values=st.lists(
        st.floats(0.05, 0.9).map(lambda v: round(v, 3)), min_size=1, max_size=8, unique=True
    )
)
def test_plans_come_back_as_written(values: list[float]) -> None:
    rising = sorted(values)
    text = changed("[0.3, 0.4, 0.5, 0.6, 0.7, 0.8]", repr(rising))
    assert parse_bench(text).plan.currents_a == tuple(rising)


@given(text=st.text(max_size=200))
def test_no_text_raises_anything_but_a_refusal(text: str) -> None:
    with pytest.raises(BenchFileError):
        parse_bench(text)


def test_lines_are_found_in_their_own_table() -> None:
    text = "[a]\nx = 1\n[b]\nx = 2\n"
    assert [find_line(text, t, "x") for t in "ab"] == [2, 4]
    assert [find_line(text, t, "y") for t in "abc"] == [1, 3, None]


def test_a_tolerance_that_is_not_stated_leaves_the_fingerprint_of_older_runs() -> None:
    """The key came later than run folders that hold the fingerprint of their bench."""
    line = "filament_per_turn_tolerance = 0.02"
    assert line in TEMPLATE
    stated = parse_bench(TEMPLATE)
    older = parse_bench("\n".join(x for x in TEMPLATE.splitlines() if not x.startswith(line)))
    other = parse_bench(TEMPLATE.replace(line, "filament_per_turn_tolerance = 0.03"))
    assert older.drive.filament_per_turn_tolerance == 0.02
    assert older.digest() == stated.digest() != other.digest()
    content = older.model_dump(mode="json")
    content["link"].pop("port")
    content["drive"].pop("filament_per_turn_tolerance")
    text = json.dumps(content, sort_keys=True, separators=(",", ":"))
    assert older.digest() == hashlib.sha256(text.encode()).hexdigest()[:16]
