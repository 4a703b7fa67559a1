"""A virtual bench: firmware, physics, sound and encoder in lock-step time.

Importing this package loads nothing heavy; compiled loops are loaded when a world starts to move.
"""
