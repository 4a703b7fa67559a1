"""Dialect files: what they may say, and how they are refused."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rig.errors import DialectError, UsageError
from rig.link.dialect import format_number, load_dialect

GOOD = 'base = "template"\n[commands]\nset_current = "SET_RUN_CURRENT AMPERES={current_a}"\n'
DOCS = Path(__file__).parents[3] / "docs"


def write(tmp_path: Path, text: str) -> Path:
    file = tmp_path / "house.toml"
    file.write_text(text)
    return file


def test_the_numbered_dialect() -> None:
    dialect = load_dialect("numbered")
    assert dialect.numbered
    assert dialect.lines("heat", temperature_c=210.0) == ("M104 T0 S210",)
    assert dialect.line("set_current", current_a=0.55) == "M906 T0 E550"
    assert dialect.line("extrude", length_mm=0.25, feed_mm_min=123.4567) == "G1 E0.25 F123.457"
    assert dialect.lines("heaters_off") == ("M104 T0 S0", "M140 S0")
    everything = " ".join(line for lines in dialect.commands.values() for line in lines)
    for never in ("M302", "M500", "M109"):
        assert never not in everything


def test_one_command_can_be_overridden(tmp_path: Path) -> None:
    """Boards whose current is set with another verb and unit."""
    dialect = load_dialect(
        write(tmp_path, 'base = "numbered"\n[commands]\nset_current = "M907 E{current_a}"\n')
    )
    assert dialect.line("set_current", current_a=0.55) == "M907 E0.55"
    assert dialect.line("temperature") == "M105"
    assert dialect.numbered


def test_the_template_wants_to_be_filled_in(tmp_path: Path) -> None:
    with pytest.raises(DialectError, match=r"\[commands\] set_current is not filled in"):
        load_dialect("template")
    dialect = load_dialect(write(tmp_path, GOOD))
    assert not dialect.numbered
    assert dialect.line("set_current", current_a=0.55) == "SET_RUN_CURRENT AMPERES=0.55"
    assert not dialect.has("get_current")
    assert dialect.lines("get_current") == ()
    assert dialect.one_move_mm < 50.0


def test_the_example_in_the_documentation_loads() -> None:
    dialect = load_dialect(DOCS / "benches" / "named-parameters.toml")
    assert dialect.line("set_pressure", factor=0.0) == "SET_PRESSURE_COMPENSATION FACTOR=0"


def test_warning_replies_add_to_the_base_and_answers_replace_it(tmp_path: Path) -> None:
    dialect = load_dialect(
        write(
            tmp_path,
            GOOD + "[replies]\nhalted = ['all is lost']\ncurrent = ['amps (?P<current_a>[0-9.]+)']",
        )
    )
    assert dialect.search("halted", "ALL IS LOST")
    assert dialect.search("halted", "Error:Printer halted. kill() called!")
    assert len(dialect.replies["current"]) == 1


def test_base_may_be_another_file(tmp_path: Path) -> None:
    write(tmp_path, GOOD)
    second = tmp_path / "second.toml"
    second.write_text('base = "house.toml"\n[limits]\none_move_mm = 20.0\n')
    assert load_dialect(second).one_move_mm == 20.0


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("[commands\n", "not readable as TOML"),
        ('bas = "numbered"\n', "unknown 'bas'; did you mean 'base'?"),
        (GOOD + "[command]\n", r"unknown 'command'; did you mean 'commands'\?"),
        (GOOD + 'heet = "M104"\n', r"\[commands\] unknown key 'heet'; did you mean 'heat'\?"),
        (GOOD + 'heat = "M104 S{temp}"\n', r"placeholder \{temp\} is not known here"),
        (GOOD + 'heat = "M104 S200"\n', r"has to contain \{temperature_c\}"),
        (GOOD + 'heat = "M104 S{temperature_c:.1f}"\n', r"write \{temperature_c\} alone"),
        (GOOD + 'heat = "M104 S{temperature_c"\n', "braces do not match"),
        (GOOD + 'heat = "M109 S{temperature_c}"\n', "M109 is never sent"),
        (GOOD + 'settings = ["M302 P1"]\n', "M302 is never sent: it switches the cold"),
        (GOOD + 'heaters_off = ["M104 S0", "M500"]\n', "M500 is never sent"),
        (GOOD + 'barrier = "M400\\nM500"\n', "one line of plain text"),
        (GOOD + 'barrier = "M400*12"\n', "one line of plain text"),
        (GOOD + 'barrier = ["M400", "M114"]\n', "one line, not 2"),
        (GOOD + "barrier = 400\n", "has to be a text"),
        (GOOD + 'emergency = ""\n', "emergency is not filled in"),
        (GOOD + 'extrude = "G1 E{length_mm}"\n', r"has to contain \{feed_mm_min\} or"),
        (GOOD + "[lines]\nnumbered = 1\n", "has to be true or false"),
        (GOOD + "[limits]\none_move_mm = -1\n", "a number from 0.5 to 10000"),
        (GOOD + "[timing]\nreply_s = '5'\n", "a number from 0.2 to 120"),
        (GOOD + "[replies]\nhalted = ['(']\n", r"\[replies\] halted = '\('"),
        (GOOD + "[replies]\ncurrent = ['amps']\n", r"has to name \(\?P<current_a>...\) or"),
        (GOOD + "[settings]\nmax_feed_unit = 'inch'\n", "allowed are auto, mm_s, mm_min"),
        ('name = "mine"\n', r'begin the file with base = "template"'),
        ('base = "nowhere.toml"\n', "neither built in"),
        ('base = "house.toml"\n', "goes round in a circle"),
        ("commands = 3\n", r"has to be a table"),
        ("name = 3\n", "has to be a text"),
    ],
)
def test_refusals_are_one_line_and_say_what_to_do(tmp_path: Path, text: str, message: str) -> None:
    file = write(tmp_path, text)
    with pytest.raises(DialectError, match=message) as caught:
        load_dialect(file)
    assert "\n" not in str(caught.value) or "TOML" in str(caught.value)
    assert str(file) in str(caught.value)
    assert isinstance(caught.value, UsageError)
    assert caught.value.exit_code == 2


def test_a_missing_file() -> None:
    with pytest.raises(DialectError, match="neither a built-in dialect"):
        load_dialect("numberd")


@given(st.floats(-1e6, 1e6), st.integers(0, 6))
def test_numbers_are_written_plainly(value: float, decimals: int) -> None:
    text = format_number(value, decimals=decimals)
    assert "e" not in text
    assert text != "-0"
    assert float(text) == pytest.approx(value, abs=0.5 * 10.0**-decimals + 1e-9)
