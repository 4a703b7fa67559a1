"""The commands."""

from __future__ import annotations


def main() -> None:
    """Placeholder until the commands land."""
