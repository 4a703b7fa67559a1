"""Where exported files go: names beside one another, each written whole or not at all."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from rig.errors import UsageError

NAMES = {
    "csv": "curve.csv",
    "json": "curve.json",
    "parquet": "curve.parquet",
    "spice": "curve.lib",
    "modelica": "StallCurve.mo",
    "python": "curve.py",
    "c": "curve.h",
}
"""Usual name of the main file of each format."""


def target(path: str | Path, default_name: str) -> Path:
    """The file that ``path`` means: itself, or ``default_name`` in it where it is a folder.

    A path without a suffix that does not exist yet is taken as a folder and made.

    Raises:
        UsageError: The folder cannot be made, or the file ends as those of another format do.
    """
    path = main_file(path, default_name)
    usual = Path(default_name).suffix
    for form, name in NAMES.items():
        if path.suffix.lower() == Path(name).suffix != usual:
            raise UsageError(
                f"{path}: a name in {path.suffix} is for --to {form}; give one in {usual}, or a "
                "folder"
            )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise UsageError(f"{path.parent}: cannot be made ({error.strerror})") from error
    return path


def main_file(path: str | Path, default_name: str) -> Path:
    """The file that ``path`` means, as `target` has it; nothing is made or looked at in it."""
    path = Path(path)
    if path.is_dir() or (not path.suffix and not path.exists()):
        return path / default_name
    return path


def write_whole(path: Path, content: str | bytes) -> Path:
    """Write a file so that a reader sees the old or the new one, never half of it.

    Raises:
        UsageError: The file cannot be written there.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        try:
            with os.fdopen(handle, "wb") as file:
                file.write(data)
            os.chmod(name, 0o644)
            os.replace(name, path)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise
    except OSError as error:
        raise UsageError(f"{path}: cannot be written ({error.strerror})") from error
    return path
