"""The detectors: from sound and filament counts to a verdict. Never imports ``rig``."""
