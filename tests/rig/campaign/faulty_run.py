"""A campaign on the virtual bench with faults on the wire, and what has to hold at its end.

The encoder is the witness: without sound a campaign takes a third of a second.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from small_bench import firmware_state, small_text

from detectors.errors import DetectorError
from rig.bench import parse_bench
from rig.campaign import run_campaign
from rig.errors import StallcurveError
from rig.ledger import Ledger
from rig.records import TrialRecord
from rig.simulation.faults import Fault
from rig.simulation.registry import forget_worlds, prepare_world
from rig.view import RunView

ENCODER = '[encoder]\nport = "sim://harbour/encoder?seed=5"\ncounts_per_mm = 80.0\n[limits]'
#: Words by which a person is told to act.
TOLD = "switch the printer off"


@dataclass(frozen=True)
class Outcome:
    """How a campaign with faults ended.

    Attributes:
        wrong: What should not have been, a sentence each; empty where all held.
        struck: Faults that struck.
        ended: ``done``, or the kind of error.
        trials: Finished trials.
    """

    wrong: tuple[str, ...]
    struck: tuple[str, ...]
    ended: str
    trials: int


class Count(RunView):
    """Remembers the finished trials and all that the person is told."""

    def __init__(self) -> None:
        self.finished: list[int] = []
        self.told: list[str] = []

    def trial_ended(self, record: TrialRecord) -> None:
        self.finished.append(record.number)

    def note(self, text: str) -> None:
        self.told.append(text)


def run_with_faults(faults: Sequence[Fault], folder: Path) -> Outcome:
    """One campaign, from the connection to the safe state."""
    forget_worlds()
    text = small_text(currents="[0.5]", resolution=0.3)
    text = text.replace('device = "sim"', 'device = "none"').replace("[limits]", ENCODER)
    bench = parse_bench(text)
    world = prepare_world(bench)
    world.firmware.faults.waiting.extend(faults)
    view, wrong, ended = Count(), [], "done"
    told = view.told
    try:
        result = run_campaign(bench, folder, view=view)
        told += result.undone
    except (StallcurveError, DetectorError) as error:
        ended = type(error).__name__
        told.append(str(error))
    except Exception as error:
        ended = f"crash: {type(error).__name__}: {error}"
        wrong.append(ended)
    target_c, current_ma = firmware_state(bench)
    words = " ".join(told)
    if target_c > 0.0 and TOLD not in words:
        wrong.append(f"the heater is on ({target_c:g} C) and nobody was told")
    alive = not world.firmware.halted and world.line.alive
    if (
        alive
        and current_ma != _found_ma(folder)
        and "not put back" not in words
        and TOLD not in words
    ):
        wrong.append(f"the run current is left at {current_ma} mA and nobody was told")
    if (folder / "ledger.sqlite").exists():
        with Ledger.open(folder, read_only=True) as ledger:
            kept = [trial.number for trial in ledger.trials()]
        if kept != view.finished:
            wrong.append(f"trials {view.finished} were finished, {kept} are on disk")
    elif view.finished:
        wrong.append("there is no ledger")
    struck = tuple(world.firmware.faults.struck)
    forget_worlds()
    return Outcome(tuple(wrong), struck, ended, len(view.finished))


def _found_ma(folder: Path) -> int:
    """The run current that the run found, by its ledger: a driver may have lowered it before."""
    if not (folder / "ledger.sqlite").exists():
        return 600
    with Ledger.open(folder, read_only=True) as ledger:
        connected = ledger.events("connected")
    found = connected[0].data["settings"].get("run_current_a") if connected else None
    return 600 if found is None else round(1000 * found)
