"""What scripts may rely on, pinned: a test that has to be changed here is a contract that changes.

Options and reasons may be added; none may vanish or be renamed.
"""

from __future__ import annotations

import ast
import importlib
from pathlib import Path

import click
import pytest

import detectors.errors
import rig.errors
from detectors.evidence import Reason, Verdict
from detectors.takes import COLUMNS
from rig.cli import COMMANDS, cli
from rig.export import FORMATS

REPOSITORY = Path(__file__).parents[3]

#: command -> its arguments in order, then its options
FACE = {
    "demo": "--out --seed --plain",
    "init": "FILE --force --schema",
    "check": "BENCH_FILE --heat --yes --list-ports --list-microphones --json",
    "listen": "BENCH_FILE --out --force --yes --json",
    "run": "BENCH_FILE --out --resume --unattended --yes --no-audio --plain",
    "replay": "TAKES --detector --speed --bench --jobs --json",
    "label": "TAKES --port --no-browser --detector",
    "tune": "TAKES --out --held-out --detector --folds --pictures --worst --jobs --json",
    "fit": "SOURCES --model --bench --filament-diameter --no-joint --out --json",
    "compare": "SOURCES --temperature --bench --picture --json",
    "advise": "CURVE BENCHES --temperature --margin --flow --current --picture --json",
    "report": "RUN --out --trial",
    "export": "SOURCE --to --out --bench",
    "page": "BENCH_OR_RUN --run --port --no-browser",
    "simulate": "BENCH_FILE --link --encoder-link --play --play-on --raw --rate --seconds",
}

#: error -> exit status of a command that ends with it
EXIT_CODES = {
    "UsageError": 2,
    "BenchFileError": 2,
    "DialectError": 2,
    "TableError": 2,
    "RangeError": 2,
    "RunFolderError": 2,
    "TakeError": 2,
    "DetectorFileError": 2,
    "StallcurveError": 3,
    "StoppedSafelyError": 3,
    "InterruptedRunError": 3,
    "LimitReachedError": 3,
    "InterlockError": 3,
    "LinkError": 3,
    "LinkClosedError": 3,
    "LinkLostError": 3,
    "LinkBusyError": 3,
    "ReplyTimeoutError": 3,
    "FirmwareResetError": 3,
    "FirmwareHaltedError": 3,
    "CommandRefusedError": 3,
    "DetectorError": 3,
    "SourceLostError": 3,
    "UnfitBenchError": 4,
    "SourceMissingError": 4,
}

REASONS = (
    "heard-throughout measured-throughout click-train stall-tone length-lost-in-steps "
    "length-lost-smoothly silent clipped stream-lost motor-not-heard wrong-step-rate too-noisy "
    "unsure too-short unreadable encoder-lost encoder-implausible witnesses-disagree move-time "
    "refused settings-changed firmware-reset temperature broken-off"
)

#: module -> the names that it offers
NAMES = {
    "detectors.sources": "CountSource FileSource Microphone MicrophoneSource SerialCountSource "
    "SoundSource list_microphones",
    "rig.export": "FORMATS Sheet export make_sheet",
    "rig.guard": "Envelope Guard Interlock caution_text",
    "rig.ledger": "FILE_NAME Event Ledger RunRow SearchRow Session now_text",
    "rig.printer": "DriverReport Identity Move MoveResult Printer PrinterSettings "
    "TemperatureReading wait_until_steady",
    "rig.simulation": "forget_worlds prepare_world",
    "rig.simulation.ear": "Ear motor_scale oversampling",
    "rig.trial": "TrialOrder TrialRecord make_order prime run_trial settle_s trial_length_mm",
}


def test_the_commands() -> None:
    assert list(COMMANDS) == list(FACE)


@pytest.mark.parametrize("name", FACE)
def test_arguments_and_options(name: str) -> None:
    command = cli.get_command(click.Context(cli), name)
    assert command is not None
    given = [p for p in command.params if isinstance(p, click.Argument)]
    options = {word for p in command.params if isinstance(p, click.Option) for word in p.opts}
    wanted = FACE[name].split()
    assert [str(p.name).upper() for p in given] == [w for w in wanted if not w.startswith("--")]
    assert options >= {w for w in wanted if w.startswith("--")}


def test_every_error_has_its_exit_code() -> None:
    found = {
        name: value.exit_code
        for module in (rig.errors, detectors.errors)
        for name, value in vars(module).items()
        if isinstance(value, type) and issubclass(value, Exception)
    }
    assert found == EXIT_CODES


def test_verdicts_reasons_and_columns() -> None:
    assert [v.value for v in Verdict] == ["clean", "skip", "slip", "void"]
    assert {r.value for r in Reason} >= set(REASONS.split())
    assert COLUMNS == (
        "file", "speed_mm_s", "current_a", "start_s", "end_s", "label", "first_skip_s", "note",
    )  # fmt: skip
    assert set(FORMATS) >= {"csv", "json", "parquet", "spice", "modelica", "python", "c"}


def test_offered_names() -> None:
    found: dict[str, set[str]] = {}
    for path in sorted([*REPOSITORY.glob("rig/**/*.py"), *REPOSITORY.glob("detectors/**/*.py")]):
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
                parts = path.relative_to(REPOSITORY).with_suffix("").parts
                name = ".".join(parts).removesuffix(".__init__")
                found[name] = set(ast.literal_eval(node.value))
    assert found == {name: set(words.split()) for name, words in NAMES.items()}
    for name, words in found.items():
        module = importlib.import_module(name)
        assert [word for word in words if not hasattr(module, word)] == []
