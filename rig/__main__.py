"""``python -m rig``: the same as ``stallcurve``."""

from rig.cli import main

main()
