"""The command line: which commands there are, and how their errors end.

Each command lives in a module of `rig.commands` and is imported only when it is called, so that
help comes at once. Only the commands print; the rooms below them return values and raise.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Sequence

import click

#: command -> (module, one line of help); the order is that of the work
COMMANDS: dict[str, tuple[str, str]] = {
    "demo": ("demo", "The whole job on the virtual bench: run, fit, report, exports."),
    "init": ("init", "Write a commented bench file."),
    "check": ("check", "Go through a bench before a run: link, settings, sound, budget."),
    "listen": ("listen", "Learn a bench's sound: the room, the motor, a provoked skip."),
    "run": ("run", "Measure: the campaign of a bench file."),
    "replay": ("replay", "The detector over recorded audio, a verdict a take."),
    "label": ("label", "Label takes in a page of the browser, keyboard first."),
    "tune": ("tune", "Fit the detector to labelled takes, with held-out scores."),
    "fit": ("fit", "Curve of force against flow from run folders or a table."),
    "compare": ("compare", "Are two curves different, and by how much?"),
    "advise": ("advise", "Which flow can a motor, ratio and current push?"),
    "report": ("report", "Pictures and the page of a run."),
    "export": ("export", "Files for other tools from a curve."),
    "page": ("page", "The live page of a running bench."),
    "simulate": ("simulate", "Serve the virtual bench on a pseudo-terminal in real time."),
}


class LazyGroup(click.Group):
    """A group whose commands are imported when they are called."""

    def list_commands(self, ctx: click.Context) -> list[str]:
        return list(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        entry = COMMANDS.get(cmd_name)
        if entry is None:
            return None
        command = importlib.import_module(f"rig.commands.{entry[0]}").command
        assert isinstance(command, click.Command)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        with formatter.section("Commands"):
            formatter.write_dl([(name, text) for name, (_, text) in COMMANDS.items()])

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        if args and args[0] not in COMMANDS and not args[0].startswith("-"):
            import difflib

            near = difflib.get_close_matches(args[0], COMMANDS, n=1)
            hint = f"; did you mean {near[0]}?" if near else f"; there are {', '.join(COMMANDS)}"
            raise click.UsageError(f"no command {args[0]!r}{hint}", ctx)
        return super().resolve_command(ctx, args)


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)
@click.version_option(package_name="stallcurve", prog_name="stallcurve")
def cli() -> None:
    """Force against flow of a filament extruder, measured with its own motor as the gauge.

    Start with `stallcurve demo` (no hardware needed), then `stallcurve init bench.toml`.
    """


def main(arguments: Sequence[str] | None = None) -> None:
    """Run the command line and exit: 0 done, 2 wrong use, 3 stopped safely, 4 bench unfit."""
    sys.exit(run(arguments))


def _one_line(error: click.UsageError) -> str:
    """What was wrong, and where the right use is told; the whole help where nothing was asked."""
    if type(error).__name__ == "NoArgsIsHelpError":  # a bare `stallcurve`
        return error.format_message()
    path = error.ctx.command_path if error.ctx is not None else "stallcurve"
    text = error.format_message().rstrip(".")
    return f"{text[:1].lower()}{text[1:]}; see {path} --help"


def run(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; returns the exit status instead of exiting."""
    try:
        result = cli.main(
            args=None if arguments is None else list(arguments),
            prog_name="stallcurve",
            standalone_mode=False,
        )
    except click.exceptions.Exit as done:
        return done.exit_code
    except click.Abort as stop:
        # click turns Ctrl-C into this; by itself it is a person who did not agree.
        ctrl_c = isinstance(stop.__cause__, KeyboardInterrupt)
        click.echo("stopped by you" if ctrl_c else "stopped before anything was done", err=True)
        return 3
    except click.UsageError as error:
        click.echo(_one_line(error), err=True)
        return 2
    except click.ClickException as error:
        error.show()
        return 2
    except BrokenPipeError:  # the reader of our output has gone, for example `| head`
        sys.stderr.close()
        return 0
    except KeyboardInterrupt:
        click.echo("stopped by you", err=True)
        return 3
    except Exception as error:
        from detectors.errors import DetectorError
        from rig.errors import StallcurveError

        if isinstance(error, StallcurveError | DetectorError):
            click.echo(str(error), err=True)
            return error.exit_code
        raise
    return result if isinstance(result, int) else 0
