"""Line numbers, checksums and feed words against published examples.

Sources, beside each check: the open RepRap G-code documentation ("Checking" and "M110"), and
the dialect of feed rates in RS-274 (mm per minute).
"""

from __future__ import annotations

import pytest

from rig.link.dialect import load_dialect
from rig.link.numbering import Numbering, checksum, numbered_line
from rig.mechanics import feed_mm_min


def test_worked_example_of_the_exclusive_or() -> None:
    """``N7 M83``: 4E ^ 37 ^ 20 ^ 4D ^ 38 ^ 33 = 1F, written as decimal 31 (open RepRap G-code
    documentation, checksum example, worked by hand)."""
    by_hand = 0x4E ^ 0x37 ^ 0x20 ^ 0x4D ^ 0x38 ^ 0x33
    assert by_hand == 0x1F == 31
    assert checksum(b"N7 M83") == by_hand
    assert numbered_line(7, "M83") == b"N7 M83*31"


@pytest.mark.parametrize(
    ("line", "number", "text"),
    [
        # Open RepRap G-code documentation, "Checking": N3 T0*57, N4 G92 E0*67, N5 G28*22,
        # N6 G1 F1500.0*82, N7 G1 X2.0 Y2.0 F3000.0*85, N8 G1 X3.0 Y3.0*33 (from memory, and each
        # agrees with the rule that the same page states).
        (b"N3 T0*57", 3, "T0"),
        (b"N4 G92 E0*67", 4, "G92 E0"),
        (b"N5 G28*22", 5, "G28"),
        (b"N6 G1 F1500.0*82", 6, "G1 F1500.0"),
        (b"N7 G1 X2.0 Y2.0 F3000.0*85", 7, "G1 X2.0 Y2.0 F3000.0"),
        (b"N8 G1 X3.0 Y3.0*33", 8, "G1 X3.0 Y3.0"),
    ],
)
def test_published_lines(line: bytes, number: int, text: str) -> None:
    assert numbered_line(number, text) == line


def test_restart_of_the_numbers() -> None:
    """``N0 M110 N0*125`` as printer hosts send it; the line after it is N1 (same documentation)."""
    numbering = Numbering()
    assert numbering.restart() == b"N0 M110 N0*125"
    assert numbering.add("M105").startswith(b"N1 ")


def test_feed_word_is_mm_per_minute() -> None:
    """RS-274: F300 is 5 mm/s (common practice)."""
    line = load_dialect("numbered").line("extrude", length_mm=1.25, feed_mm_min=feed_mm_min(5.0))
    assert line == "G1 E1.25 F300"
