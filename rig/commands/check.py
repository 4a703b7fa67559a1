"""``stallcurve check``: go through a bench before a run."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from rig.commands._out import confirm_caution, document, note, say, stopped_short
from rig.errors import UnfitBenchError, UsageError

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.checkup import Finding

_MARKS = {"good": "ok  ", "warn": "look", "bad": "BAD "}


@click.command("check")
@click.argument("bench_file", metavar="[BENCH]", required=False, type=click.Path(path_type=Path))
@click.option("--heat", is_flag=True, help="Heat to the first temperature and hear the motor push.")
@click.option("--yes", is_flag=True, help="Agree to the cautions beforehand (for scripts).")
@click.option("--list-ports", is_flag=True, help="Show the serial ports there are, and end.")
@click.option("--list-microphones", is_flag=True, help="Show the sound inputs there are, and end.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on standard output.")
def command(
    bench_file: Path | None,
    heat: bool,
    yes: bool,
    list_ports: bool,
    list_microphones: bool,
    as_json: bool,
) -> int:
    """Go through BENCH: link, settings, temperatures, currents, sound, budget.

    Nothing heats without --heat, and the motor does not move. What was changed is put back.
    Ends with 0 where a run may begin, with 4 where the bench is not fit for it.
    """
    if list_ports or list_microphones:
        _list(list_ports, list_microphones, as_json=as_json)
        return 0
    if bench_file is None:
        raise UsageError("check needs a bench file; `stallcurve init bench.toml` writes one")
    from rig.bench import load_bench

    bench = load_bench(bench_file)
    if heat and not bench.link.port.startswith("sim://"):
        from rig.guard import caution_text

        confirm_caution(caution_text(), yes=yes, question="Heat the hot end now?")
    found: list[Finding] = []
    with stopped_short("the check did not come to its end"):
        for finding in _findings(bench, heat=heat):
            found.append(finding)
            if not as_json:
                say(f"{_MARKS[finding.grade]}  {finding.subject:<12} {finding.text}")
    bad = [finding for finding in found if finding.grade == "bad"]
    if as_json:
        document(
            {
                "fit": not bad,
                "findings": [
                    {"subject": f.subject, "grade": f.grade.value, "text": f.text} for f in found
                ],
            }
        )
    if bad:
        note(f"this bench is not fit to run: {len(bad)} of {len(found)} checks failed")
        return UnfitBenchError.exit_code
    if not as_json:
        more = "" if heat else f"; with you beside it: stallcurve check {bench_file} --heat"
        say(f"fit to run{more}")
    return 0


def _findings(bench: Bench, *, heat: bool) -> Iterator[Finding]:
    """All steps in order; a step that cannot be made ends them, and is told as one that failed."""
    from detectors.errors import DetectorError
    from rig import checkup
    from rig.errors import InterruptedRunError, StallcurveError
    from rig.guard import Envelope, Guard
    from rig.station import open_station

    yield from checkup.check_plan(bench)
    subject, deaf = "link", False
    try:
        try:
            station = open_station(bench)
        except DetectorError as error:
            if error.exit_code == UsageError.exit_code:
                raise
            yield checkup.bad("sound", str(error))
            deaf = True  # the printer is gone through all the same
            station = open_station(bench, sound=False)
    except StallcurveError as error:
        if error.exit_code == UsageError.exit_code:
            raise
        yield checkup.bad(subject, str(error))
        return
    envelope = Envelope(max_temperature_c=bench.hot_end.max_temperature_c, max_hours=0.5)
    try:
        with Guard(station.printer, clock=station.clock, envelope=envelope, say=note) as guard:
            station.guard = guard
            guard.add_cleanup("sound", station.stop_sound)
            yield from checkup.check_printer(station)
            if not deaf:
                subject = "sound"
                yield from checkup.check_sound(station)
                subject = "encoder"
                yield from checkup.check_encoder(station)
            if heat and not deaf:
                subject = "motion"
                yield from checkup.check_motion(station)
    except InterruptedRunError:
        raise
    except (StallcurveError, DetectorError) as error:
        yield checkup.bad(subject, str(error))
    finally:
        station.close()


def _list(ports: bool, microphones: bool, *, as_json: bool) -> None:
    content: dict[str, Any] = {}
    if ports:
        from rig.link.transport import list_ports

        found = list_ports()
        content["ports"] = [
            {
                "device": port.device,
                "stable_name": port.stable_name,
                "description": port.description,
                "serial_number": port.serial_number,
            }
            for port in found
        ]
        if not as_json:
            for port in found:
                say(f"{port.stable_name or port.device}  {port.description}")
            if not found:
                say("no serial port found; the virtual bench is always there: sim://")
    if microphones:
        from detectors.sources import list_microphones

        inputs = list_microphones()
        content["microphones"] = [
            {name: getattr(one, name) for name in type(one).__slots__} for one in inputs
        ]
        if not as_json:
            for one in inputs:
                say(f"{one.index:>3}  {one.name}  [{one.host}]")
            if not inputs:
                say("no sound input found")
    if as_json:
        document(content)
