"""How the commands speak: plain lines, one JSON document, and the caution before heat."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from typing import Any

import click

from rig.errors import UsageError

#: Said before anything is done to a bench that does not exist.
VIRTUAL = "A virtual bench: everything that follows is simulated, nothing is heated."


def say(text: str = "") -> None:
    """A line for the person, on standard output."""
    click.echo(text)


def note(text: str) -> None:
    """A line beside the result, on standard error."""
    click.echo(text, err=True)


def document(content: Mapping[str, Any]) -> None:
    """One JSON document on standard output and nothing else; not-a-number is refused."""
    click.echo(json.dumps(content, indent=2, allow_nan=False, ensure_ascii=False))


def confirm_caution(text: str, *, yes: bool, question: str) -> None:
    """Show a caution once and ask; ``yes`` is for scripts.

    Raises:
        UsageError: No one is there to answer (standard input is no terminal) and ``yes`` is not
            given.
        click.Abort: The person said no.
    """
    note(text)
    if yes:
        return
    if not sys.stdin.isatty():
        raise UsageError("nobody is at the terminal to agree to the cautions; scripts give --yes")
    click.confirm(question, abort=True, err=True)


@contextmanager
def stopped_short(outcome: str) -> Iterator[None]:
    """Where there is no run to resume: say by what it was stopped, and the outcome."""
    from rig.errors import InterruptedRunError

    try:
        yield
    except InterruptedRunError as error:
        by = str(error).partition(":")[0]
        raise InterruptedRunError(f"{by}: the printer was made safe; {outcome}") from error


@contextmanager
def progress_bar(what: str, *, hidden: bool) -> Iterator[Callable[[int, int], None] | None]:
    """A bar on standard error where that is a terminal, told with done and total; else None."""
    if hidden or not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=None)
        yield lambda done, total: bar.update(task, completed=done, total=total)
