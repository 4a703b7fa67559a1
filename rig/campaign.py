"""The whole measurement: temperatures, currents, repeats; begun, watched, ended safely, resumed."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from rig.budget import Budget, check_budget, count, filament_limit_mm, plan_budget
from rig.campaign_loop import CampaignLoop
from rig.errors import LimitReachedError, RunFolderError, StallcurveError
from rig.guard import Envelope, Guard
from rig.ledger import FILE_NAME, Ledger
from rig.station import SIM_SCHEME, Station, check_witnesses, open_station
from rig.view import RunView

if TYPE_CHECKING:
    from rig.bench import Bench
    from rig.curves.points import Threshold

AUDIO_FOLDER = "audio"
BENCH_FILE = "bench.toml"
#: The hot end may overshoot the hottest target by this, in K, before the interlock trips.
_OVERSHOOT_K = 15.0
#: Unattended, a firmware that can stops by itself when nothing is sent for this long, in s.
_DEAD_MAN_S = 120.0


@dataclass(frozen=True, slots=True, kw_only=True)
class CampaignResult:
    """What a campaign left.

    Attributes:
        folder: The run folder.
        trials: Finished trials, those before a resume included.
        thresholds: One a finished search, for the fit.
        filament_mm: Filament used, in mm.
        seconds: Time on the rig's clock, all sessions together, in s.
        resets: Restarts of the firmware in this session.
        remarks: What a person should know of the outcome, a sentence each.
        undone: What the exit could not put back, in plain words.
        station: The bench, closed; its ``world`` knows the truth of a virtual bench.
    """

    folder: Path
    trials: int
    thresholds: tuple[Threshold, ...]
    filament_mm: float
    seconds: float
    resets: int = 0
    remarks: tuple[str, ...] = ()
    undone: tuple[str, ...] = ()
    station: Station | None = None


def run_campaign(
    bench: Bench,
    out_dir: str | Path,
    *,
    resume: bool = False,
    unattended: bool = False,
    view: RunView | None = None,
    bench_text: str | None = None,
    keep_audio: bool = True,
    opener: Callable[[Bench], Station] = open_station,
) -> CampaignResult:
    """Work through the plan of a bench. Heats and moves; ends in the safe state whatever happens.

    Args:
        bench: The bench file.
        out_dir: The run folder; made where it is not there.
        resume: Go on with the run that is in the folder.
        unattended: Nobody stays in the room: the plan has to fit the limits even at its dearest,
            and a firmware that can is told to stop by itself when this program falls silent.
        view: What the person sees.
        bench_text: Text of the bench file, kept as it was; written anew where not given.
        keep_audio: Whether the sound of each trial is kept.
        opener: Opens the bench.

    Raises:
        UsageError: The folder or the plan is no good; nothing was touched.
        UnfitBenchError: The bench is not fit to run.
        StoppedSafelyError: Stopped before the end; ``resume`` goes on from there.
    """
    view = view if view is not None else RunView()
    folder = Path(out_dir)
    check_witnesses(bench)
    budget = plan_budget(bench)
    mine = not resume and not (folder / BENCH_FILE).exists()
    ledger = _open_ledger(bench, folder, resume=resume, bench_text=bench_text, budget=budget)
    with _gone_unless_opened(folder, mine=mine, new=not resume) as opened, ledger:
        station: Station | None = None
        loop: CampaignLoop | None = None
        undone: list[str] = []
        seconds_before = ledger.elapsed_s()
        begun_s = 0.0
        ledger.begin_session()
        try:
            left_h = bench.limits.max_hours - seconds_before / 3600.0
            if left_h <= 0:
                raise LimitReachedError(
                    f"limits.max_hours = {bench.limits.max_hours:g} are used up by the sessions "
                    "before; a new run has new hours"
                )
            if unattended:
                _check_dearest(bench, budget, used_mm=ledger.filament_mm())
            station = opener(bench)
            opened.append(station)
            begun_s = station.clock.now()
            loop = CampaignLoop(
                station, ledger, view=view, budget=budget,
                audio_folder=folder / AUDIO_FOLDER if keep_audio else None,
            )  # fmt: skip
            view.begin(bench, budget, ledger.trials())
            _run_guarded(station, loop, view, undone, max_hours=left_h, unattended=unattended)
        except BaseException as error:
            elapsed_s = station.clock.now() - begun_s if station is not None else 0.0
            _close_session(ledger, error, elapsed_s, undone)
            view.end("stopped")  # why, says whoever catches the error
            raise
        finally:
            if station is not None:
                station.close()
        ledger.end_session(
            outcome="done", message="; ".join(undone), elapsed_s=station.clock.now() - begun_s
        )
        result = CampaignResult(
            folder=folder,
            trials=ledger.next_number() - 1,
            thresholds=tuple(ledger.thresholds()),
            filament_mm=ledger.filament_mm(),
            seconds=ledger.elapsed_s(),
            resets=loop.resets,
            remarks=tuple(loop.remarks),
            undone=tuple(undone),
            station=station,
        )
        view.end(
            f"done: {thresholds_text(result.thresholds)} from {count(result.trials, 'trial')}, "
            f"{result.filament_mm / 1000:.2f} m of filament"
        )
        return result


def thresholds_text(thresholds: Sequence[Threshold]) -> str:
    """How many thresholds have both ends, and how many are known from one side only."""
    closed = sum(threshold.closed for threshold in thresholds)
    bounds = len(thresholds) - closed
    text = count(closed, "threshold")
    return f"{text} and {bounds} known from one side only," if bounds else text


@contextmanager
def _gone_unless_opened(folder: Path, *, mine: bool, new: bool) -> Iterator[list[Station]]:
    """A new run whose bench could not even be opened leaves no folder in the way of the next."""
    opened: list[Station] = []
    try:
        yield opened
    except BaseException:
        if new and not opened:
            (folder / FILE_NAME).unlink(missing_ok=True)
            if mine:
                (folder / BENCH_FILE).unlink(missing_ok=True)
            if not any(folder.iterdir()):
                folder.rmdir()
        raise


def _run_guarded(
    station: Station,
    loop: CampaignLoop,
    view: RunView,
    undone: list[str],
    *,
    max_hours: float,
    unattended: bool,
) -> None:
    """Everything that heats or moves happens in here."""
    bench, printer = station.bench, station.printer
    hottest_c = max(bench.plan.temperatures_c) + _OVERSHOOT_K
    envelope = Envelope(
        max_temperature_c=min(bench.hot_end.max_temperature_c + 5.0, hottest_c),
        max_hours=max_hours,
    )

    def say(text: str) -> None:
        undone.append(text)
        view.note(text)

    with Guard(printer, clock=station.clock, envelope=envelope, say=say) as guard:
        station.guard = guard
        guard.add_cleanup("microphone", station.stop_sound)
        if station.counts is not None:
            guard.add_cleanup("encoder", station.counts.stop)
        printer.link.on_wait = guard.check
        loop.prepare(dead_man_s=_DEAD_MAN_S if unattended else None)
        loop.run()


def _open_ledger(
    bench: Bench, folder: Path, *, resume: bool, bench_text: str | None, budget: Budget
) -> Ledger:
    """The ledger of a new run, or of the one to go on with."""
    exists = (folder / FILE_NAME).exists()
    if resume and not exists:
        raise RunFolderError(
            f"{folder}: there is no run to resume; leave out --resume to begin one"
        )
    if exists:
        if not resume:
            raise RunFolderError(
                f"{folder}: holds a run already; --resume goes on with it, --out names another"
            )
        ledger = Ledger.open(folder)
        run = ledger.run
        if run.bench_digest != bench.digest():
            ledger.close()
            raise RunFolderError(
                f"{folder}: was measured with another bench file "
                f"({_difference(run.bench_text, bench)}); resume it with {folder / BENCH_FILE}, "
                "or begin a new run"
            )
        return ledger
    check_budget(bench, budget)
    text = bench_text if bench_text is not None else bench_document(bench)
    try:
        folder.mkdir(parents=True, exist_ok=True)
        kept = folder / BENCH_FILE
        if kept.exists() and kept.read_text(encoding="utf-8", errors="replace") != text:
            raise RunFolderError(
                f"{kept}: is another bench file, which a run would overwrite; name another --out"
            )
        kept.write_text(text, encoding="utf-8")
    except OSError as error:
        raise RunFolderError(f"{folder}: cannot be written: {error}") from error
    return Ledger.create(
        folder,
        bench_text=text,
        bench_digest=bench.digest(),
        versions=versions(),
        simulated=bench.link.port.startswith(SIM_SCHEME),
    )


def _check_dearest(bench: Bench, budget: Budget, *, used_mm: float) -> None:
    from rig.errors import BenchFileError

    most_mm = used_mm + budget.filament_most_mm
    if most_mm > filament_limit_mm(bench):
        raise BenchFileError(
            f"unattended, the plan has to fit at its dearest: {most_mm / 1000:.1f} m of filament "
            f"at most, allowed are {filament_limit_mm(bench) / 1000:.1f} m (limits.max_filament_m, "
            "filament.available_m, limits.pile_litre); a coarser resolution or fewer currents help"
        )


def _close_session(
    ledger: Ledger, error: BaseException, elapsed_s: float, undone: list[str]
) -> None:
    """Leave a word of how the session ended; a full disk must not hide why it did."""
    kind = "interrupted" if isinstance(error, KeyboardInterrupt) else type(error).__name__
    message = "; ".join([str(error), *undone])
    try:
        ledger.end_session(outcome=kind, message=message, elapsed_s=elapsed_s)
    except StallcurveError:
        return


def _difference(old_text: str, bench: Bench) -> str:
    """The first key in which two bench files differ."""
    from rig.bench import parse_bench
    from rig.errors import BenchFileError

    try:
        old = parse_bench(old_text).model_dump(mode="json")
    except BenchFileError:
        return "which this version does not read any more"
    new = bench.model_dump(mode="json")
    for table, content in new.items():
        before = old.get(table)
        if not isinstance(content, dict) or not isinstance(before, dict):
            if before != content:
                return f"table {table}"
            continue
        for key, value in content.items():
            if before.get(key) != value and (table, key) != ("link", "port"):
                return f"{table}.{key} was {before.get(key)!r}, is {value!r}"
    return "another version wrote it"


def versions() -> dict[str, str]:
    """What made the measurement."""
    import platform
    from importlib import metadata

    found = {"python": platform.python_version(), "system": platform.platform(terse=True)}
    for name in ("stallcurve", "numpy", "scipy", "pyserial", "sounddevice"):
        try:
            found[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            continue
    return found


def bench_document(bench: Bench) -> str:
    """A bench as TOML text, without comments."""
    lines: list[str] = []
    for table, content in bench.model_dump(mode="json", exclude_none=True).items():
        lines.append(f"[{table}]")
        # JSON's strings, numbers, truth values and lists are TOML's.
        lines += [f"{k} = {json.dumps(v, ensure_ascii=False)}" for k, v in content.items()]
        lines.append("")
    return "\n".join(lines)
