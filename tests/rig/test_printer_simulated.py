"""The same verbs over the virtual bench, every family and every fault that it knows.

Whatever goes wrong, the run ends with a word of its own and the heater is off, unless the board
cannot be reached any more: then that is said plainly.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from rig.bench import load_bench
from rig.errors import StallcurveError
from rig.guard import STILL_HOT, Envelope, Guard
from rig.link.conversation import Link
from rig.link.dialect import load_dialect
from rig.link.transport import open_port
from rig.printer import Printer
from rig.simulation import forget_worlds, prepare_world
from rig.simulation.faults import FAULTS

BENCHES = Path(__file__).parents[2] / "docs" / "benches"

#: Faults after which nothing can be sent any more, or nothing is obeyed.
UNREACHABLE = {"silent-halt", "cable-cut"}
#: Faults that a run survives without a doubt about its moves.
HARMLESS = {
    "resend-without-ok", "resend-triple", "surplus-ok", "lost-ok", "split-ok", "swallowed-ok",
    "flipped-bit", "impossible-resend", "connect-garbage", "glued-nul", "early-ok",
}  # fmt: skip
#: Faults that end the run.
ENDING = {
    "reset", "silent-reset", "busy-long", "template-shutdown", "heater-kill", "old-stop",
    "silent-halt", "cable-cut", "counter-wrap",
}  # fmt: skip
#: When each strikes; G1:20 lies in the first move.
WHEN = {
    "connect-garbage": "", "early-ok": "", "counter-wrap": "@M906:6", "glued-nul": "@M105:6",
    "swallowed-ok": "@M105:6", "impossible-resend": "@G1:25",
}  # fmt: skip


class Run:
    """One guarded run over the virtual bench."""

    def __init__(self, options: str, dialect: str | Path = "numbered") -> None:
        forget_worlds()
        bench = load_bench(BENCHES / "harbour.toml")
        url = f"sim://harbour?seed=1{options}"
        bench = bench.model_copy(update={"link": bench.link.model_copy(update={"port": url})})
        self.world = prepare_world(bench)
        self.said: list[str] = []
        self.anomalies: list[str] = []
        self.error: StallcurveError | None = None
        clock = self.world.clock
        link = Link(open_port(url, baud=115200), load_dialect(dialect), clock)
        self.printer = Printer(link, clock=clock, filament_diameter_mm=1.75)
        guard = Guard(
            self.printer,
            clock=clock,
            envelope=Envelope(max_temperature_c=260.0),
            say=self.said.append,
        )
        try:
            with guard:
                self._drive(guard)
        except StallcurveError as error:
            self.error = error
        forget_worlds()

    def _drive(self, guard: Guard) -> None:
        printer = self.printer
        printer.connect()
        printer.prepare()
        printer.set_current(0.55)
        printer.set_target(210.0)
        printer.wait_until_steady(dwell_s=5.0, tick=lambda _reading: guard.check())
        for speed_mm_s in (2.0, 4.0, 3.0):
            move = printer.start_move(length_mm=4.0 * speed_mm_s, speed_mm_s=speed_mm_s)
            while not move.done:
                move.poll(0.02)
                guard.check()
            self.anomalies += move.result().anomalies
        self.anomalies += printer.verify()


@pytest.mark.parametrize(
    ("options", "dialect"),
    [
        ("&family=a1", "numbered"),
        ("&family=a2", "numbered"),
        ("&family=a3", "numbered"),
        ("&family=a1&dtr=0", "numbered"),
        ("&family=b", BENCHES / "named-parameters.toml"),
    ],
)
def test_every_family(options: str, dialect: str | Path) -> None:
    run = Run(options, dialect)
    assert run.error is None
    assert run.anomalies == []
    assert run.said == []
    assert run.world.heater.target_c == 0.0


@pytest.mark.parametrize("fault", sorted(FAULTS))
def test_every_fault(fault: str) -> None:
    run = Run(f"&fault={fault}{WHEN.get(fault, '@G1:20')}")
    assert fault in run.world.firmware.faults.struck, "the fault was really injected"
    if fault in UNREACHABLE:
        assert run.error is not None
        assert STILL_HOT in run.said[0]
    else:
        assert run.world.heater.target_c == 0.0
    if fault in ENDING:
        assert run.error is not None
        assert run.error.exit_code == 3
    elif fault in HARMLESS:
        assert run.error is None
        assert run.anomalies == []
    else:
        assert run.error is None
        assert run.anomalies != [], "a falsified move has to be noticed"
