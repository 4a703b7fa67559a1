"""Injected faults: does every one end with the heater off, or with a plain word that it may not be?

Each run is a guarded session on a small firmware of a random family. Somewhere in it replies are
damaged, lost, doubled or delayed, the firmware restarts, halts or falls silent, the cable is cut,
or Ctrl-C is pressed (once or several times). Prints the number of runs, of those that ended wrong,
and the upper 95 % bound of that rate.

    python tests/benchmarks/bench_link_faults.py [RUNS] [SEED]
"""

from __future__ import annotations

import random
import sys
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "rig"))

from fake_printer import CABLE_CUT, Answer, FakeFirmware

from rig.errors import StallcurveError
from rig.guard import STILL_HOT, Envelope, Guard
from rig.link.conversation import Link
from rig.link.dialect import load_dialect
from rig.printer import Printer

LINES = 75  # a session sends about this many
DISTURBANCES = (
    "flip", "lose", "double", "delay", "half", "insert", "restart", "silent-restart", "kill",
    "hang", "cut", "interrupt", "interrupts", "storm",
)  # fmt: skip


class Disturbance:
    """One fault at one line, in front of a firmware's answers."""

    def __init__(self, firmware: FakeFirmware, kind: str, at: int, dice: random.Random) -> None:
        self.firmware, self.kind, self.at, self.dice = firmware, kind, at, dice
        self.count = 0
        self.honest = firmware.receive
        firmware.port.answer = self.answer
        if kind.startswith("interrupt"):
            firmware.port.after_write = self.interrupt

    def interrupt(self, _line: bytes) -> None:
        self.count += 1
        more = self.kind == "interrupts" and self.count > self.at and self.dice.random() < 0.3
        if self.count == self.at or (more and self.count < self.at + 15):
            raise KeyboardInterrupt

    def answer(self, line: bytes) -> list[Answer]:
        if self.kind.startswith("interrupt"):
            return self.honest(line)
        self.count += 1
        storm = self.kind == "storm" and self.dice.random() < 0.1
        if self.count != self.at and not storm:
            return self.honest(line)
        kind = self.dice.choice(("flip", "lose", "double", "half")) if storm else self.kind
        return self.disturbed(kind, line)

    def disturbed(self, kind: str, line: bytes) -> list[Answer]:
        firmware, dice = self.firmware, self.dice
        if kind == "silent-restart":
            firmware.power_cycle()
        answers = self.honest(line)
        if not answers:
            return answers
        after_s, data = answers[-1] if isinstance(answers[-1], tuple) else (0.005, answers[-1])
        at = dice.randrange(len(data))
        match kind:
            case "flip":
                data = data[:at] + bytes([data[at] ^ 1 << dice.randrange(8)]) + data[at + 1 :]
            case "lose":
                return answers[:-1]
            case "double":
                return [*answers, (after_s + dice.random(), data)]
            case "delay":
                after_s += dice.uniform(0.1, 12.0)
            case "half":
                data = data[:at]
            case "insert":
                noise = bytes(dice.randrange(256) for _ in range(dice.randrange(1, 12)))
                data = data[:at] + noise + data[at:]
            case "restart":
                firmware.power_cycle()
                data = b"start\n"
            case "kill":
                firmware.halted, firmware.target_c = True, 0.0
                data = b"Error:Heating failed, system stopped! Heater_ID: E0\n"
            case "hang":
                firmware.halted = True
                return []
            case "cut":
                return [data[:at], (0.02, CABLE_CUT)]
        return [*answers[:-1], (after_s, data)]


def one(kind: str, at: int, seed: int) -> tuple[str, str]:
    """One run: how it ended, and what was wrong with the end ("" for nothing)."""
    dice = random.Random(seed)
    firmware = FakeFirmware(dice.choice(("A1", "A2", "A3")))
    Disturbance(firmware, kind, at, dice)
    clock = firmware.clock
    link = Link(firmware.port, load_dialect("numbered"), clock)
    printer = Printer(link, clock=clock, filament_diameter_mm=1.75)
    said: list[str] = []
    ended = "done"
    try:
        with Guard(
            printer, clock=clock, envelope=Envelope(max_temperature_c=260.0), say=said.append
        ) as guard:
            printer.connect()
            printer.prepare()
            printer.set_current(0.55)
            printer.set_target(210.0)
            firmware.temperature_c = 210.0
            move = printer.start_move(length_mm=4.0, speed_mm_s=2.0)
            before = len(firmware.moves)  # after the calibrating moves
            while not move.done:
                move.poll(0.05)
                guard.check()
            moved_mm = sum(length for _, length, _ in firmware.moves[before:])
            if move.anomalies:
                ended = "doubtful"
            elif abs(moved_mm - move.result().commanded_mm) > 1e-6:
                ended = f"moved {moved_mm:.5f} mm instead of {move.result().commanded_mm:.5f} mm"
            printer.verify()
    except StallcurveError as error:
        ended = type(error).__name__
    plain = any(STILL_HOT in text for text in said)
    if ended.startswith("moved"):
        return ended, "another length than commanded and no doubt about it"
    if firmware.target_c > 0 and not plain:
        return ended, "heater on and nothing said"
    unrestored = firmware.current_ma != 800 and not any("current" in text for text in said)
    if unrestored and not firmware.halted and not plain:
        return ended, "current not put back and nothing said"
    if not firmware.port.closed:
        return ended, "port left open"
    return ended, ""


def main() -> None:
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    dice = random.Random(seed)
    start_s = time.perf_counter()
    wrong: list[str] = []
    ends: Counter[str] = Counter()
    for k in range(runs):
        kind, at = dice.choice(DISTURBANCES), dice.randrange(1, LINES)
        ended, problem = one(kind, at, seed * 1_000_003 + k)
        ends[ended] += 1
        if problem:
            wrong.append(f"{kind} at line {at}, seed {seed * 1_000_003 + k}: {problem} ({ended})")
    taken_s = time.perf_counter() - start_s
    # Exact for none, and close above for few (the rule of three and its kin).
    bound = (3.0 + 1.6 * len(wrong)) / runs
    print(f"{runs} injected faults in {taken_s:.0f} s: {len(wrong)} ended wrong")
    print(f"rate of wrong ends below {bound:.2%} (95 % upper bound)")
    print("ends:", ", ".join(f"{name} {count}" for name, count in ends.most_common()))
    for text in wrong[:20]:
        print(" ", text)


if __name__ == "__main__":
    main()
