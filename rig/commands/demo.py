"""``stallcurve demo``: the whole job on the virtual bench."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands._out import VIRTUAL, note, say
from rig.errors import UsageError

if TYPE_CHECKING:
    from rig.curves.curveset import CurveSet

#: Left in a demo's folder, so that the next demo knows that it may replace it.
_MARK = "this-is-a-demo.txt"
_SAID = """\
Made by `stallcurve demo` on a virtual bench: everything here is simulated.
The next demo into this folder replaces it.
"""


@click.command("demo")
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=Path("stallcurve-demo"),
    show_default=True,
    help="Folder for everything; one that an earlier demo made is replaced.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Of everything random.")
@click.option("--plain", is_flag=True, help="Plain lines, even on a terminal.")
def command(out: Path, seed: int, plain: bool) -> None:
    """The whole job on the virtual bench: two temperatures, six currents, fit, report, exports.

    No hardware is touched. At the end the fitted curve is compared with the hidden truth of the
    simulation.
    """
    from rig.commands.run import measure
    from rig.export import FORMATS, export
    from rig.simulation import forget_worlds

    if seed < 0:
        raise UsageError(f"--seed {seed}: allowed is 0 and more")
    _clear(out)
    bench_file = out / "bench.toml"
    text = example("harbour").replace('"sim://harbour?seed=1"', f'"sim://harbour?seed={seed}"')
    bench_file.write_text(text, encoding="utf-8")
    say(VIRTUAL)
    forget_worlds()
    run = out / "run"
    curves, result = measure(bench_file, run, plain=plain)
    if curves is None:
        raise UsageError("the demo found no curve; this is a fault of the program, please tell")
    for to in FORMATS:
        try:
            export(curves, to, out / "exports")
        except UsageError as error:
            note(f"not exported: {error}")
    say(f"Files for other tools: {out / 'exports'}")
    say()
    _against_truth(curves, result)


def example(name: str) -> str:
    """Text of an example bench, from the package or from the checkout.

    Raises:
        UsageError: It is in neither.
    """
    here = Path(__file__).resolve().parents[1]
    for folder in (here / "benches", here.parent / "docs" / "benches"):
        path = folder / f"{name}.toml"
        if path.exists():
            return path.read_text(encoding="utf-8")
    raise UsageError(f"the example bench {name} is missing from this installation")


def _clear(out: Path) -> None:
    """Make room, but never at the cost of anything but an earlier demo."""
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        if not (out / _MARK).exists():
            raise UsageError(f"{out} holds something that no demo made; choose another --out")
        shutil.rmtree(out)
    try:
        out.mkdir(parents=True, exist_ok=True)
        (out / _MARK).write_text(_SAID, encoding="utf-8")
    except OSError as error:
        raise UsageError(f"{out}: cannot be written ({error.strerror})") from error


def _against_truth(curves: CurveSet, result: Any) -> None:
    """How close the fit came to what the simulation hides."""
    truth = result.station.world.truth
    for curve in curves.curves:
        apart, inside = [], 0
        for row in curve.table:
            true_n = truth.force_n(row.flow_mm3_s, curve.temperature_c)
            apart.append(row.force_n / true_n - 1.0)
            inside += row.total_lower_n <= true_n <= row.total_upper_n
        rms = (sum(a * a for a in apart) / len(apart)) ** 0.5
        worst = max(apart, key=abs)
        say(
            f"Against the hidden truth at {curve.temperature_c:g} C: {100 * rms:.1f} % off on "
            f"average (rms), {100 * worst:+.1f} % at worst; the truth lies within the 95 % band "
            f"at {inside} of {len(apart)} flows"
        )
    off = []
    for threshold in result.thresholds:
        if threshold.closed and threshold.excluded is None and threshold.current_a is not None:
            true_mm_s = truth.threshold_mm_s(threshold.current_a, threshold.temperature_c)
            middle = (threshold.clean_mm_s * threshold.skip_mm_s) ** 0.5
            off.append(middle / true_mm_s - 1.0)
    if off:
        say(
            f"Thresholds: {100 * (sum(o * o for o in off) / len(off)) ** 0.5:.1f} % off the true "
            f"ones (rms of {len(off)}), {100 * max(off, key=abs):+.1f} % at worst"
        )
