"""``stallcurve listen``: learn a bench's sound, and say how well skips can be told there."""

from __future__ import annotations

import math
from pathlib import Path
from typing import TYPE_CHECKING

import click

from rig.commands._out import VIRTUAL, confirm_caution, document, note, say, stopped_short
from rig.errors import UnfitBenchError, UsageError

if TYPE_CHECKING:
    from detectors.listen import Baseline
    from rig.bench import Bench


@click.command("listen")
@click.argument("bench_file", metavar="BENCH", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), help="Detector file [BENCH-detector.toml].")
@click.option("--force", is_flag=True, help="Overwrite the detector file.")
@click.option("--yes", is_flag=True, help="Agree to the cautions beforehand (for scripts).")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def command(bench_file: Path, out: Path | None, force: bool, yes: bool, as_json: bool) -> int:
    """Learn BENCH: the room at rest, the motor at good speeds, a skip provoked on purpose.

    CAUTION: it heats a nozzle and drives a motor until it skips. The cautions are shown and have to
    be agreed to before anything heats; stay beside it.

    Says how far skips stand out here, what hurts and what to do, and writes a detector file that
    `run` and `replay` take. A bench on which skips cannot be told is refused (exit code 4), and no
    file is written.
    """
    from detectors.listen import save_baseline
    from rig.bench import load_bench
    from rig.lesson import check_lesson

    bench = load_bench(bench_file)
    check_lesson(bench)
    target = out or bench_file.with_name(f"{bench_file.stem}-detector.toml")
    if target.exists() and not force:
        raise UsageError(f"{target}: is there already; --force overwrites it, --out names another")
    if not target.resolve().parent.is_dir():
        raise UsageError(f"--out {target}: there is no folder {target.parent}")
    if not bench.link.port.startswith("sim://"):
        from rig.guard import caution_text

        confirm_caution(caution_text(), yes=yes, question="Heat the hot end and provoke skips now?")
    else:
        note(VIRTUAL)
    with stopped_short("nothing was learnt, and no detector file was written"):
        baseline = _learn(bench, quiet=as_json)
    if baseline.blessed:
        save_baseline(target, baseline)
    if as_json:
        document(_document(baseline, target if baseline.blessed else None))
    else:
        _describe(baseline)
    if not baseline.blessed:
        note("skips cannot be told on this bench: no detector file was written")
        return UnfitBenchError.exit_code
    if not as_json:
        say(f"The detector: {target}; in the bench file, below [microphone]:")
        say(f'detector = "{name_in_bench(target, bench_file)}"')
    return 0


def _learn(bench: Bench, *, quiet: bool) -> Baseline:
    """The lesson, within the guard."""
    from rig.checkup import Grade, check_settings
    from rig.guard import Envelope, Guard
    from rig.lesson import learn
    from rig.station import open_station

    station = open_station(bench)
    envelope = Envelope(max_temperature_c=bench.hot_end.max_temperature_c, max_hours=0.5)
    tell = note if quiet else say
    try:
        with Guard(station.printer, clock=station.clock, envelope=envelope, say=note) as guard:
            station.guard = guard
            guard.add_cleanup("microphone", station.stop_sound)
            station.printer.link.on_wait = guard.check
            tell("connecting")
            station.printer.connect()
            for finding in check_settings(station.printer.read_settings(), bench):
                if finding.grade is Grade.BAD:
                    raise UnfitBenchError(finding.text)
            station.printer.prepare()
            return learn(station, tell=tell)
    finally:
        station.close()


def name_in_bench(detector: Path, bench_file: Path) -> str:
    """How a bench file names a detector file: by its name alone where it lies beside it."""
    place = detector.resolve()
    beside = place.parent == bench_file.resolve().parent
    return place.name if beside else place.as_posix()


def _describe(baseline: Baseline) -> None:
    say()
    say(f"room at rest   {baseline.room_db:6.1f} dB of full scale")
    say(f"motor          {baseline.motor_db:6.1f} dB, {baseline.growth_db:.1f} dB above the room")
    if math.isnan(baseline.separation_db):
        say("separation     none: no provoked skip was heard")
    else:
        say(f"separation     {baseline.separation_db:6.1f} dB of skips over all else that clicks")
    for sentence in baseline.advice:
        say(f"- {sentence}")


def _document(baseline: Baseline, target: Path | None) -> dict[str, object]:
    separation_db = baseline.separation_db
    return {
        "blessed": baseline.blessed,
        "separation_db": None if math.isnan(separation_db) else round(separation_db, 2),
        "motor_db": round(baseline.motor_db, 2),
        "room_db": round(baseline.room_db, 2),
        "growth_db": round(baseline.growth_db, 2),
        "advice": list(baseline.advice),
        "detector": None if target is None else str(target),
    }
