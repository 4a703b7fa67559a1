"""Labels go into takes.csv whole, at once, and nothing else changes."""

from __future__ import annotations

import csv
import io
import tempfile
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from detectors.errors import TakeError
from detectors.evidence import Verdict
from detectors.takes import read_take_list
from rig.page import take_list as module
from rig.page.take_list import ChangedUnderneathError, Mark, TakeList, join_cells, split_records

BENCH = "[motor]\nsteps_per_turn = 200\n[drive]\ngear_ratio = 3\nfilament_per_turn_mm = 22.5\n"
text = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0"), max_size=12)
marks = st.builds(
    Mark,
    label=st.none() | st.sampled_from(list(Verdict)),
    first_skip_s=st.none() | st.floats(0.0, 9e5),
    note=text,
)


def write(folder: Path, content: str | bytes) -> Path:
    (folder / "bench.toml").write_text(BENCH)
    path = folder / "takes.csv"
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@given(rows=st.lists(st.lists(text, min_size=2, max_size=5), max_size=6))
def test_records_joined_are_the_text_again(rows: list[list[str]]) -> None:
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    whole = "\r\n" + out.getvalue() + "\nlast,without,end"
    assert "".join(record.text for record in split_records(whole)) == whole


@given(cells=st.lists(text, min_size=2, max_size=6))
def test_cells_come_back_as_they_were(cells: list[str]) -> None:
    line = join_cells(cells) + "\n"
    assert list(csv.reader(io.StringIO(line, newline=""), skipinitialspace=True)) == [cells]


@given(
    extras=st.lists(text, min_size=3, max_size=3),
    changes=st.lists(st.tuples(st.integers(0, 2), marks), min_size=1, max_size=5),
    end=st.sampled_from(["\n", "\r\n"]),
    bom=st.booleans(),
)
def test_only_the_marked_cells_change(
    extras: list[str], changes: list[tuple[int, Mark]], end: str, bom: bool
) -> None:
    header = ["who", "first_skip_s", "file", "note", "start_s", "end_s", "label", "speed_mm_s"]
    rows = [[extra, "", f"take {k}.wav", "", "0.5", "2", "", "3.25"] for k, extra in
            enumerate(extras)]  # fmt: skip
    lines = [join_cells(cells) + end for cells in [header, *rows]]
    lines.insert(2, end)  # a blank line stays where it is
    content = ("\ufeff" if bom else "") + "".join(lines)
    with tempfile.TemporaryDirectory() as folder:
        path = write(Path(folder), content)
        one = TakeList(path)
        last: dict[int, Mark] = {}
        for number, mark in changes:
            last[number] = one.set_mark(number, mark)
        now = path.read_bytes().decode()
        kept = [r.text for r in split_records(now.removeprefix("\ufeff"))]
        assert now.startswith("\ufeff") is bom
        assert kept[2] == end
        for number, place in enumerate([1, 3, 4]):
            if number not in last or last[number] == Mark():
                assert kept[place] == lines[place]
        takes = read_take_list(path)
        for number, mark in last.items():
            found = takes[number]
            assert Mark(found.label, found.first_skip_s, found.note) == mark
        with path.open(newline="", encoding="utf-8-sig") as stream:
            read = list(csv.reader(stream, skipinitialspace=True))
        assert [cells[0] for cells in read if cells][1:] == extras
        changed = any(mark != Mark() for mark in last.values()) or now != content
        backup = path.with_name("takes.csv.orig")
        assert not changed or backup.read_bytes().decode() == content
        assert TakeList(path).takes == one.takes


def test_columns_for_labels_are_added_at_the_right(tmp_path: Path) -> None:
    path = write(tmp_path, "file,speed_mm_s,start_s,end_s\na.wav,2,0.5,3\nb.wav,2,0.5,3,more")
    TakeList(path).set_mark(1, Mark(Verdict.SKIP, 1.25, "as heard, twice"))
    assert path.read_text() == (
        "file,speed_mm_s,start_s,end_s,label,first_skip_s,note\n"
        "a.wav,2,0.5,3,,,\n"
        'b.wav,2,0.5,3,skip,1.25,"as heard, twice",more'
    )


def test_the_original_is_kept_once_and_modes_stay(tmp_path: Path) -> None:
    path = write(tmp_path, "file,speed_mm_s,start_s,end_s,label\na.wav,2,0.5,3,\n")
    path.chmod(0o640)
    before = path.read_bytes()
    one = TakeList(path)
    one.set_mark(0, Mark(Verdict.CLEAN))
    one.set_mark(0, Mark(Verdict.VOID))
    assert path.with_name("takes.csv.orig").read_bytes() == before
    assert path.stat().st_mode & 0o777 == 0o640
    assert sorted(p.name for p in tmp_path.iterdir()) == [
        "bench.toml", "takes.csv", "takes.csv.orig",
    ]  # fmt: skip


def test_a_change_by_another_program_is_not_overwritten(tmp_path: Path) -> None:
    path = write(tmp_path, "file,speed_mm_s,start_s,end_s,label\na.wav,2,0.5,3,\n")
    one = TakeList(path)
    theirs = path.read_text().replace("0.5,3,", "0.5,3,slip")
    path.write_text(theirs)
    with pytest.raises(ChangedUnderneathError, match="another program"):
        one.set_mark(0, Mark(Verdict.CLEAN))
    assert path.read_text() == theirs
    assert one.seems_changed()
    one.load()
    assert not one.seems_changed()
    assert one.mark(0).label is Verdict.SLIP
    assert not one.changed_underneath()
    path.unlink()
    assert one.changed_underneath()
    assert one.seems_changed()


def test_a_failed_write_leaves_the_old_list(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write(tmp_path, "file,speed_mm_s,start_s,end_s,label\na.wav,2,0.5,3,\n")
    one = TakeList(path)
    before = path.read_bytes()

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(module.os, "fsync", full)
    with pytest.raises(TakeError, match="No space left"):
        one.set_mark(0, Mark(Verdict.CLEAN))
    assert path.read_bytes() == before
    assert one.mark(0).label is None
    assert sorted(p.name for p in tmp_path.iterdir()) == ["bench.toml", "takes.csv"]


@pytest.mark.parametrize("first", [-0.1, float("nan"), float("inf"), 2e6])
def test_impossible_times_are_refused(tmp_path: Path, first: float) -> None:
    path = write(tmp_path, "file,speed_mm_s,start_s,end_s,label\na.wav,2,0.5,3,\n")
    with pytest.raises(TakeError, match="first_skip_s"):
        TakeList(path).set_mark(0, Mark(Verdict.SKIP, first))
