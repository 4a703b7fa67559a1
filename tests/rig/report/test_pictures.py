"""The pictures: what must be in them is looked up in the figure, not guessed from its pixels."""

from __future__ import annotations

import itertools
import math
import re
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest

from rig.curves.curveset import Parameter, Point
from rig.curves.points import Threshold
from rig.errors import UsageError
from rig.report.advice import Available, draw_advice
from rig.report.comparison import Line, Ratio, draw_comparison
from rig.report.force import draw_force
from rig.report.look import (
    COLOURS,
    dense,
    heat_colours,
    picture_words,
    save_picture,
    svg_text,
)
from rig.report.marks import mark_of
from rig.report.passmap import draw_map
from rig.report.reliability import draw_reliability, wilson
from rig.report.spectrogram import draw_spectrogram, draw_trial
from rig.report.write import write_curve_pictures, write_run_pictures, write_trial_picture


def texts(figure) -> set[str]:
    """Every text in a figure."""
    from matplotlib.text import Text

    return {t.get_text() for t in figure.findobj(Text) if t.get_text()}


def inside(figure) -> None:
    """No annotation may leave the picture."""
    from matplotlib.text import Annotation

    figure.canvas.draw()
    box = figure.bbox
    for note in figure.findobj(Annotation):
        extent = note.get_window_extent()
        assert extent.x0 > box.x0 - 1, note.get_text()
        assert extent.x1 < box.x1 + 1, note.get_text()


@pytest.mark.parametrize("width_in", [3.7, 7.2])
def test_force_names_its_curves_and_the_reasons_of_points_left_out(curves, width_in):
    figure = draw_force(curves, width_in=width_in)
    said = texts(figure)
    assert {"205 °C", "220 °C", "start-speed", "<slip & co>"} <= said
    assert {"force, N", "flow, mm³/s", "residual, σ", "filament speed, mm/s"} <= said
    inside(figure)


def test_many_temperatures_get_a_panel_each(curves):
    from dataclasses import replace as change

    many = change(
        curves,
        curves=tuple(change(curves.curves[0], temperature_c=t) for t in range(190, 260, 10)),
    )
    figure = draw_force(many)
    titles = [axes.get_title(loc="left") for axes in figure.axes if axes.get_title(loc="left")]
    assert titles == [f"{t} °C" for t in range(190, 260, 10)]


def test_the_map_shows_every_trial_with_the_mark_of_its_verdict(data):
    figure = draw_map(data.trials, data.brackets(), melt_limits_mm_s={205.0: 3.4})
    counts = {"o": 0, "x": 0, "^": 0}
    for axes in figure.axes:
        for line in axes.get_lines():
            if line.get_linestyle() == "None":
                counts[line.get_marker()] += len(line.get_xdata())
    assert counts == {"o": 12 + 1, "x": 12, "^": 1}
    assert {"melt limit", "12 clean", "12 skip", "1 slip (grip lost)", "1 void"} <= texts(figure)


def test_an_empty_map_is_a_picture_too():
    assert draw_map([]).axes


def chirps(rate: int = 16000) -> np.ndarray:
    """Two seconds of a 2 kHz line with a click at 1.25 s."""
    time = np.arange(2 * rate) / rate
    sound = 0.1 * np.sin(2 * np.pi * 2000.0 * time)
    sound[int(1.25 * rate) : int(1.25 * rate) + 40] += 0.8
    return sound.astype(np.float32)


def test_the_spectrogram_has_its_line_where_the_tone_is_and_marks_the_clicks():
    figure = draw_spectrogram(
        chirps(), 16000, motion_s=(0.2, 1.8), click_times_s=(1.25,), verdict="skip", title="Trial 3"
    )
    (picture,) = [image for axes in figure.axes for image in axes.get_images()]
    left, right, low, high = picture.get_extent()
    assert (left, low, high) == (pytest.approx(0.0, abs=0.02), 0.0, pytest.approx(8.0, rel=0.02))
    assert right == pytest.approx(2.0, abs=0.02)
    level = picture.get_array()
    quiet = level[:, level.shape[1] // 4]
    loudest_khz = high * int(np.argmax(quiet)) / level.shape[0]
    assert loudest_khz == pytest.approx(2.0, abs=0.1)
    row = level[int(0.75 * level.shape[0])]
    assert right * int(np.argmax(row)) / level.shape[1] == pytest.approx(1.25, abs=0.03)
    assert {"1 click", "commanded motion", "Trial 3"} <= texts(figure)


def test_a_trial_is_drawn_from_its_sound_file(data, tmp_path):
    soundfile = pytest.importorskip("soundfile")
    soundfile.write(tmp_path / "t.flac", chirps(), 16000)
    trial = replace(data.trials[2], audio=tmp_path / "t.flac", motion_s=(0.2, 1.8))
    run = replace(data, trials=(trial,))
    written = write_trial_picture(run, trial.number, tmp_path / "out")
    assert [path.name for path in written] == ["trial-0003.png", "trial-0003.svg"]
    with pytest.raises(UsageError, match="no trial 9; the run has trials up to 3"):
        write_trial_picture(run, 9, tmp_path)
    with pytest.raises(UsageError, match="has no sound file"):
        draw_trial(data.trials[0])
    (tmp_path / "t.flac").write_bytes(b"no sound")
    with pytest.raises(UsageError, match="cannot be read as sound"):
        draw_trial(trial)
    with pytest.raises(UsageError, match="too few"):
        draw_spectrogram(np.zeros(10, np.float32), 16000)


def apart(figure) -> None:
    """No words lie on others, and those beside the axes are beside them."""
    figure.canvas.draw()
    (axes,) = figure.axes
    boxes = [(text.get_text(), text.get_window_extent()) for text in axes.texts]
    for (one, a), (other, b) in itertools.combinations(boxes, 2):
        assert not a.padded(-1.0).overlaps(b.padded(-1.0)), (one, other)
    beside = [box for text, box in boxes if "mm³/s" in text or "holds" in text]
    assert beside
    assert all(box.x0 >= axes.get_window_extent().x1 for box in beside)


def test_comparison_and_advice_say_their_answer(curves):
    one, other = (
        Line(
            name,
            [row.flow_mm3_s for row in c.table],
            [row.force_n for row in c.table],
            [row.lower_n for row in c.table],
            [row.upper_n for row in c.table],
        )
        for name, c in zip(("short brass", "long steel"), curves.curves, strict=True)
    )
    ratio = Ratio("long steel", [1.0, 7.0], [0.83, 0.84], [0.8, 0.8], [0.87, 0.88])
    figure = draw_comparison([one, other], [ratio], sentence="long steel needs less.")
    assert {"short brass", "long steel", "force over\nshort brass"} <= texts(figure)
    assert "long steel needs less." in texts(figure)
    candidates = [
        Available(f"{k} A", [0.8, 7.6], [90.0 - k, 85.0 - k], [70.0 - k, 65.0 - k], 4.0, "torque")
        for k in range(7)
    ]
    figure = draw_advice(one, candidates, melt_limit_mm3_s=9.0, wanted_mm3_s=4.0)
    said = texts(figure)
    assert {"short brass", "melt limit", "wanted", "0 A", "4 A"} <= said
    assert "5 A" not in said
    assert "(2 more candidates are not drawn) (dotted: less the margin)" in said
    assert "4 mm³/s: torque" in said
    inside(figure)
    apart(figure)
    alone = texts(draw_advice(one, candidates[:1], melt_limit_mm3_s=99.0))
    assert "melt limit" not in alone
    assert "less margin" in alone
    # A motor far stronger than the need does not press the curve to the bottom.
    far = Available("far", [0.8, 7.6], [900.0, 900.0], [], 7.6, "", at_least=True)
    figure = draw_advice(one, [candidates[0], far])
    assert {"far: 900 N", "at least 7.6 mm³/s"} <= texts(figure)
    assert figure.axes[0].get_ylim()[1] < 3.1 * max(one.force_n)
    inside(figure)
    apart(figure)
    weak = Available("weak", [0.8, 7.6], [2.0, 1.0], [1.7, 0.8], None, "filament grip")
    figure = draw_advice(one, [far, weak, replace(weak, name="weaker")])
    assert "holds nothing shown: filament grip" in texts(figure)
    apart(figure)


def test_wilson_interval_against_its_paper_form():
    # Wilson (1927), J. Am. Stat. Assoc. 22, 209; the worked value is common in textbooks:
    # 1 of 10 gives 0.018 to 0.404.
    assert wilson(1, 10) == pytest.approx((0.0179, 0.4042), abs=1e-4)
    assert wilson(0, 1000)[0] == pytest.approx(0.0, abs=1e-12)


def test_reliability_puts_each_class_at_its_share():
    figure = draw_reliability([0.05] * 20 + [0.95] * 20, [False] * 20 + [True] * 19 + [False])
    points = next(
        line for line in figure.axes[0].get_lines() if line.get_marker() == "o"
    ).get_xydata()
    assert points == pytest.approx(np.array([[0.05, 0.0], [0.95, 0.95]]))


def test_pictures_are_the_same_bytes_every_time(curves, tmp_path):
    first = write_curve_pictures(curves, tmp_path / "a")
    again = write_curve_pictures(curves, tmp_path / "b")
    assert [p.name for p in first] == [
        "force.png",
        "force.svg",
        "force-panels.png",
        "force-panels.svg",
    ]
    for one, other in zip(first, again, strict=True):
        assert one.read_bytes() == other.read_bytes()


def test_the_pictures_of_a_run(data, tmp_path):
    names = {path.name for path in write_run_pictures(data, tmp_path)}
    assert {"map.png", "map.svg", "force.png", "force.svg"} <= names


def test_svg_for_a_page_has_its_own_ids_and_variables_for_colours(curves):
    one, other = (svg_text(draw_force(curves), name=name) for name in ("one", "two"))
    ids = set(re.findall(r'\bid="([^"]+)"', one))
    assert ids
    assert all(name.startswith("one-") for name in ids)
    assert not ids & set(re.findall(r'\bid="([^"]+)"', other))
    for reference in re.findall(r"url\(#([^)]+)\)", one) + re.findall(r'href="#([^"]+)"', one):
        assert reference in ids
    assert "var(--ink)" in one or "var(--soft)" in one
    assert not any(light in one for light, _ in COLOURS.values())
    assert "http" not in re.sub(r'xmlns(:\w+)?="[^"]*"', "", one)


def test_colours_of_temperatures_are_told_apart():
    for count in range(1, 12):
        colours = heat_colours([200.0 + k for k in range(count)])
        assert len(set(colours.values())) == count


def luminance(colour: str) -> float:
    """Relative luminance (WCAG 2.1)."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("dark", [0, 1])
def test_text_colours_have_enough_contrast(dark):
    # WCAG 2.1 asks 4.5 for text; marks and rules need less.
    paper = luminance(COLOURS["paper"][dark])
    for name, pair in COLOURS.items():
        if name in ("paper", "grid", "faint", "void"):
            continue
        bright, deep = sorted((luminance(pair[dark]), paper), reverse=True)
        assert (bright + 0.05) / (deep + 0.05) > 4.0, name


def test_importing_the_room_does_not_import_matplotlib():
    code = (
        "import sys, rig.report, rig.report.page, rig.report.write, rig.export; "
        "sys.exit('matplotlib' in sys.modules or 'pyarrow' in sys.modules "
        "or 'jinja2' in sys.modules)"
    )
    assert subprocess.run([sys.executable, "-c", code], timeout=60).returncode == 0


def test_a_place_that_cannot_be_written(curves, tmp_path):
    (tmp_path / "file").write_text("x")
    with pytest.raises(UsageError):
        save_picture(draw_force(curves), tmp_path / "file" / "picture")


def threshold(force_n, flow_mm3_s, **more):
    """A threshold of 3 % around a flow, at 205 C."""
    speed = flow_mm3_s / (math.pi * 1.75**2 / 4)
    ends = {"clean_mm_s": 0.985 * speed, "skip_mm_s": 1.015 * speed, **more}
    return Threshold(205.0, force_n, **ends)


def one_curve(curves, *, points=None, **changes):
    """The first curve alone, with other thresholds or parameters."""
    one = curves.curves[0]
    if points is not None:
        changes["points"] = tuple(points)
    return replace(curves, curves=(replace(one, **changes),))


def limit_words(curves, limit):
    """What a picture says of a melt limit, and what it says at all."""
    one = curves.curves[0]
    parameters = {**one.parameters, "melt_limit_mm3_s": limit}
    figure = draw_force(one_curve(curves, points=one.points, parameters=parameters))
    return [text for text in texts(figure) if text.startswith("melt limit")]


def test_a_melt_limit_is_drawn_where_the_curve_comes_near_it(curves):
    end = curves.curves[0].table[-1].flow_mm3_s

    def words(factor):
        limit = factor * end
        return limit_words(curves, Parameter(limit, 0.1, 0.98 * limit, 1.02 * limit, "mm3/s"))

    assert words(1.02) == ["melt limit 7.75 (7.60 to 7.91) mm³/s"]
    assert words(1.3) == []


def test_a_melt_limit_is_drawn_where_thresholds_stand_beyond_the_curve(curves):
    one = curves.curves[0]
    end = one.table[-1].flow_mm3_s
    beyond = Point(threshold(73.5, 1.04 * end), True, 0.2, None)
    stranded = one_curve(curves, points=[*one.points, beyond])
    far = Parameter(1.6 * end, 2.0, 1.02 * end, 3.0 * end, "mm3/s")
    assert limit_words(stranded, far) == ["melt limit 7.75 to 22.8 mm³/s"]
    # Within the picture it stands where it is, its interval in words.
    seen = limit_words(stranded, replace(far, value=1.05 * end))
    assert seen == ["melt limit 7.98 (7.75 to 22.8) mm³/s"]
    open_above = replace(far, upper=None)
    assert limit_words(stranded, open_above) == ["melt limit at least 7.75 mm³/s"]
    assert limit_words(curves, open_above) == []
    # An interval that begins outside the picture explains nothing in it.
    assert limit_words(stranded, replace(far, lower=2.0 * end)) == []


def test_each_state_of_a_threshold_has_its_mark_and_only_those_there_are_explained(curves):
    one = curves.curves[0]
    states = {
        ("o", "fitted"): Point(threshold(31.5, 1.6), True, 0.1, None),
        ("s", "fitted, at the melt limit"): Point(
            threshold(73.5, 7.5), True, 0.1, "at the melt limit: more force buys no more flow"
        ),
        ("D", "fitted, far off the curve"): Point(
            threshold(52.5, 2.0), True, -9.0, "outlier: kept, with little weight"
        ),
        (">", "ran clean, no skip reached"): Point(
            threshold(63, 5.0, skip_mm_s=None), True, 0.0, None
        ),
        ("<", "skipped, nothing ran clean"): Point(
            threshold(21, 0.9, clean_mm_s=None), True, 0.0, None
        ),
        ("o", "left out"): Point(threshold(73.5, 5.0, excluded="slip"), False, None, None),
        ("s", "left out, at the melt limit"): Point(
            threshold(73.5, 7.4, excluded="melt-limit"), False, None, None
        ),
    }
    words = {name for _, name in states}
    figure = draw_force(one_curve(curves, points=states.values()))
    assert words <= texts(figure)
    inside(figure)
    for (shape, name), point in states.items():
        assert mark_of(point).shape == shape
        assert mark_of(point).words == name
        assert mark_of(point).filled == point.fitted
        alone = texts(draw_force(one_curve(curves, points=[point])))
        assert words & alone == {name}
    assert len({(mark_of(p).shape, mark_of(p).filled) for p in states.values()}) == len(states)
    assert {"95 % band of the shape", "and with the force scale"} <= texts(figure)
    plain = texts(draw_force(one_curve(curves, points=one.points, scale_uncertainty=0.0)))
    assert "95 % band" in plain
    assert "and with the force scale" not in plain


def test_a_bound_far_away_stands_at_the_edge_and_has_no_residual(curves):
    one = curves.curves[0]
    near = draw_force(one_curve(curves, points=one.points))
    bound = Point(threshold(84, 50.0, clean_mm_s=None), True, 0.0, None)
    figure = draw_force(one_curve(curves, points=[*one.points, bound]))
    axes, strip = figure.axes[:2]
    assert axes.get_xlim() == near.axes[0].get_xlim()
    assert f"skipped at {bound.threshold.middle_mm3_s:.3g} mm³/s →" in texts(figure)
    marks = [line for line in axes.get_lines() if line.get_marker() == "<"]
    assert max(line.get_xdata()[0] for line in marks) == axes.get_xlim()[1]
    assert "no residual of one-sided thresholds that agree" in texts(figure)
    assert not any(line.get_marker() == "<" for line in strip.get_lines())
    against = replace(bound, residual=-3.5)
    strip = draw_force(one_curve(curves, points=[*one.points, against])).axes[1]
    assert any(line.get_marker() == "<" for line in strip.get_lines())


def test_a_band_that_leaves_the_picture_says_how_far_it_goes(curves):
    one = curves.curves[0]
    rows = [*one.table[:-1], replace(one.table[-1], upper_n=900.0, total_upper_n=901.0)]
    figure = draw_force(one_curve(curves, points=one.points, table=tuple(rows)))
    assert "to 901 N ▲" in texts(figure)
    assert figure.axes[0].get_ylim()[1] < 150.0
    assert not any("▲" in text for text in texts(draw_force(curves)))


def test_a_smooth_line_goes_through_its_table_and_never_beyond_two_rows():
    x = [0.5, 1.0, 1.02, 3.0, 4.0]
    y = [20.0, 30.0, 30.1, 31.0, 90.0]
    fine, (values,) = dense(x, y)
    assert len(fine) > 150
    assert np.interp(x, fine, values) == pytest.approx(y)
    assert (np.diff(values) >= 0).all()
    # What has no logarithm is drawn as it stands.
    assert dense([0.0, 1.0], [1.0, 2.0])[1][0] == pytest.approx([1.0, 2.0])


def test_terminal_units_become_those_of_pictures():
    said = "a at 210 C needs 5 mm3/s at 20.5 C; C stays, 7 Cm too"
    assert picture_words(said) == "a at 210 °C needs 5 mm³/s at 20.5 °C; C stays, 7 Cm too"


def test_curves_of_a_comparison_are_named_where_none_can_lie(curves):
    """Names stand below the axes; beyond four curves the dashes tell them apart."""
    table = curves.curves[0].table
    flows = [row.flow_mm3_s for row in table]
    lines = [
        Line(
            f"a run with a long name at {200 + k} C",
            flows,
            [(1 + 0.1 * k) * row.force_n for row in table],
            [(1 + 0.1 * k) * row.lower_n for row in table],
            [(1 + 0.1 * k) * row.upper_n for row in table],
        )
        for k in range(6)
    ]
    ratios = [
        Ratio(line.name, [1.0, 7.0], [1.1, 1.1], [1.0, 1.0], [1.2, 1.2]) for line in lines[1:]
    ]
    figure = draw_comparison(lines, ratios, sentence="at 200 C: 1.1 at 5 mm3/s")
    said = texts(figure)
    assert {f"a run with a long name at {200 + k} °C" for k in range(6)} | {"95 % band"} <= said
    assert "at 200 °C: 1.1 at 5 mm³/s" in said
    assert not any("mm3" in text or " C" in text for text in said)
    (legend,) = figure.legends
    looks = {(line.get_color(), line.get_linestyle()) for line in legend.get_lines()}
    assert len(looks) == 6
    figure.canvas.draw()
    box = legend.get_window_extent()
    assert figure.bbox.x0 <= box.x0
    assert box.x1 <= figure.bbox.x1
    assert box.y1 <= min(axes.get_window_extent().y0 for axes in figure.axes)
