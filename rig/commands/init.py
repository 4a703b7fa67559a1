"""``stallcurve init``: write a commented bench file."""

from __future__ import annotations

from pathlib import Path

import click

from rig.commands._out import say
from rig.errors import UsageError


@click.command("init")
@click.argument("file", type=click.Path(dir_okay=False, path_type=Path))
@click.option("--force", is_flag=True, help="Replace a file that is there already.")
@click.option("--schema", is_flag=True, help="Write the JSON Schema for editors instead.")
def command(file: Path, force: bool, schema: bool) -> None:
    """Write a commented bench file to FILE.

    As written it describes a virtual bench on which everything can be tried without hardware.
    """
    if schema:
        import json

        from rig.bench import Bench

        text = json.dumps(Bench.model_json_schema(), indent=2) + "\n"
    else:
        from rig.bench_template import TEMPLATE as text  # noqa: N811
    try:
        with file.open("w" if force else "x", encoding="utf-8") as out:
            out.write(text)
    except FileExistsError:
        raise UsageError(f"{file} is there already; --force replaces it") from None
    except OSError as error:
        raise UsageError(f"{file}: cannot be written ({error.strerror})") from error
    if schema:
        say(f"wrote the JSON Schema of bench files to {file}")
    else:
        say(f"wrote {file}; next: stallcurve check {file}")
