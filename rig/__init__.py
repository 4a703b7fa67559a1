"""The rig: everything that moves, heats, remembers and calculates.

Importing this package opens no device and imports no heavy library.
"""
