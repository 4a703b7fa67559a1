"""Thresholds and their table: what is read, what is tolerated, what is refused and how."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.bench import load_bench
from rig.curves.points import Threshold, parse_threshold_table, read_threshold_table
from rig.errors import TableError

BENCH = load_bench(Path(__file__).parents[3] / "docs" / "benches" / "harbour.toml")
HEAD = "temperature_c,force_n,clean_mm_s,skip_mm_s\n"


def test_a_plain_table_with_forces():
    a, b, c = parse_threshold_table(HEAD + "205,30,1.0,1.03\n205,40,2.0,\n220,40,,2.5\n")
    assert (a.temperature_c, a.force_n, a.clean_mm_s, a.skip_mm_s) == (205.0, 30.0, 1.0, 1.03)
    assert b.skip_mm_s is None
    assert b.skip_mm3_s is None
    assert not b.closed
    assert c.clean_mm_s is None
    assert a.clean_mm3_s == pytest.approx(2.405282, abs=1e-6)
    assert a.middle_mm3_s == pytest.approx(2.405282 * math.sqrt(1.03), rel=1e-6)
    assert c.middle_mm3_s == pytest.approx(2.5 * 2.405282, rel=1e-6)


def test_order_blanks_comments_bom_and_extra_columns_are_tolerated_and_said():
    notes: list[str] = []
    text = (
        "\ufeff# made by hand\n\nskip_mm_s, operator ,force_n,temperature_c,clean_mm_s\n"
        "\n2.06,me,31,205,2.0\n  # a remark\n,me,40,205,3\n,,,,\n"
    )
    points = parse_threshold_table(text.lstrip("\ufeff"), notes=notes)
    assert [p.force_n for p in points] == [31.0, 40.0]
    assert notes == ["table.csv: columns not used: operator"]


def test_a_file_with_a_byte_order_mark(tmp_path):
    path = tmp_path / "t.csv"
    path.write_bytes(b"\xef\xbb\xbf" + (HEAD + "205,30,1.0,1.03\n").encode())
    assert len(read_threshold_table(path)) == 1


def test_semicolons_serve_as_well():
    (point,) = parse_threshold_table(HEAD.replace(",", ";") + "205;30;1.0;1.03\n")
    assert point.skip_mm_s == 1.03


def test_currents_become_forces_at_the_threshold_speed_with_the_driver_s_steps():
    chain = BENCH.chain()
    text = "temperature_c,current_a,clean_mm_s,skip_mm_s\n205,0.5,4.0,4.2\n"
    (point,) = parse_threshold_table(text, BENCH)
    assert point.current_a == 0.5
    assert point.applied_a == chain.applied_rms_a(0.5)
    assert point.force_n == pytest.approx(chain.force_n(0.5, math.sqrt(4.0 * 4.2)), rel=1e-12)
    assert point.filament_diameter_mm == BENCH.filament.diameter_mm


def test_given_forces_win_over_currents_and_that_is_said():
    notes: list[str] = []
    text = "temperature_c,current_a,force_n,clean_mm_s,skip_mm_s\n205,0.5,31,4.0,4.2\n"
    (point,) = parse_threshold_table(text, BENCH, notes=notes)
    assert point.force_n == 31.0
    assert "force_n is used, current_a is left out" in notes[0]
    assert point.current_a is None


def test_the_filament_s_diameter():
    text = HEAD + "205,30,1.0,1.1\n"
    assert parse_threshold_table(text, None, 2.85)[0].clean_mm3_s == pytest.approx(6.3794, abs=1e-4)
    with pytest.raises(TableError, match=r"outside 0\.5 to 10 mm"):
        parse_threshold_table(text, None, 30.0)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "no table in it"),
        (HEAD, "a header and no thresholds"),
        ("temperature_c,force_n,clean_mm_s\n1,2,3\n", "t.csv:1: no column skip_mm_s"),
        ("temperature_c,clean_mm_s,skip_mm_s\n1,2,3\n", "neither a column force_n nor"),
        (HEAD.replace("force_n", "clean_mm_s"), "clean_mm_s stands there twice"),
        ("temperature_c,current_a,clean_mm_s,skip_mm_s\n205,1,2,3\n", "add --bench FILE"),
        (HEAD + "205,30,1.0,1.03\n205,abc,1,2\n", "t.csv:3: force_n = 'abc' is not a number"),
        (HEAD + "205,30,1.0,1.03\n205,4_0,1,2\n", "t.csv:3: force_n = '4_0' is not a number"),
        (HEAD + "205,-3,1,2\n", "t.csv:2: force_n = -3 is out of range; allowed: a number from"),
        (HEAD + "205,nan,1,2\n", "force_n = nan is out of range"),
        (HEAD + "205,inf,1,2\n", "force_n = inf is out of range"),
        (HEAD + "2050,30,1,2\n", "temperature_c = 2050 is out of range"),
        (HEAD + ",30,1,2\n", "temperature_c is empty"),
        (HEAD + "205,30,,\n", "both empty"),
        (HEAD + "205,30,2,2\n", "skip_mm_s = 2 is not above clean_mm_s = 2"),
        (HEAD + "205,30,1.0,2,5\n", "5 values for 4 columns"),
        (HEAD + "205,30,1,2\n210,80,3\n", "t.csv:3: 3 fields of 4, skip_mm_s is missing"),
        (HEAD + "205\n", "t.csv:2: 1 fields of 4, force_n is missing"),
    ],
)
def test_faults_are_named_in_one_line(text, said):
    with pytest.raises(TableError) as caught:
        parse_threshold_table(text, name="t.csv")
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)
    assert caught.value.exit_code == 2


def test_empty_last_fields_and_separators_at_the_end_are_no_fault():
    assert parse_threshold_table(HEAD + "205,30,1.0,\n")[0].skip_mm_s is None
    assert parse_threshold_table(HEAD + "205,30,1.0,2,,\n")[0].skip_mm_s == 2.0
    assert parse_threshold_table(HEAD.strip() + ",\n205,30,1.0,2\n")[0].skip_mm_s == 2.0


def test_a_current_beyond_the_driver_is_named_with_its_line():
    bench = BENCH.model_copy(
        update={
            "driver": BENCH.driver.model_copy(update={"full_scale_a": 1.0, "current_levels": 32})
        }
    )
    with pytest.raises(TableError, match=r"t.csv:2: current_a = 5: .*full scale"):
        parse_threshold_table(
            "temperature_c,current_a,clean_mm_s,skip_mm_s\n205,5,1,2\n", bench, name="t.csv"
        )


def test_a_missing_or_binary_file(tmp_path):
    with pytest.raises(TableError, match="cannot be read"):
        read_threshold_table(tmp_path / "none.csv")
    (tmp_path / "b.csv").write_bytes(b"\xff\xfe\x00\x81")
    with pytest.raises(TableError, match="not UTF-8"):
        read_threshold_table(tmp_path / "b.csv")


@given(text=st.text(alphabet='temperature_c,fon\n0123456789.-+e#;" ', max_size=200))
def test_any_text_is_a_table_or_a_table_error(text):
    try:
        points = parse_threshold_table(text)
    except TableError:
        return
    assert all(isinstance(point, Threshold) for point in points)


@given(
    force=st.floats(1.0, 500.0),
    clean=st.floats(0.01, 50.0),
    share=st.floats(0.001, 1.0),
)
def test_what_is_written_is_read(force, clean, share):
    skip = clean * (1 + share)
    (point,) = parse_threshold_table(HEAD + f"210,{force!r},{clean!r},{skip!r}\n")
    assert (point.force_n, point.clean_mm_s, point.skip_mm_s) == (force, clean, skip)
    assert point.clean_mm3_s < point.middle_mm3_s < point.skip_mm3_s


def test_a_current_that_makes_the_given_force_stays_with_it():
    """As in the points that an export writes: the force is the drive's own."""
    chain, notes = BENCH.chain(), []
    force = chain.force_n(0.5, math.sqrt(4.0 * 4.2))
    head = "temperature_c,current_a,force_n,clean_mm_s,skip_mm_s\n"
    text = f"{head}205,0.5,{force:.4f},4.0,4.2\n"
    (point,) = parse_threshold_table(text, BENCH, notes=notes)
    assert (point.current_a, point.applied_a) == (0.5, chain.applied_rms_a(0.5))
    assert "the same" in notes[0]
    text += "205,0.6,99,5.0,5.2\n205,50,99,5.0,5.2\n"
    one, two, far = parse_threshold_table(text, BENCH, notes=notes)
    assert (one.current_a, two.current_a, far.current_a) == (0.5, None, None)
    assert "left out in 2 of 3 lines" in notes[1]
    (alone,) = parse_threshold_table(f"{head}205,0.5,31,4.0,4.2\n", notes=notes)
    assert alone.force_n == 31.0
    assert "force_n is used, current_a is left out" in notes[2]
