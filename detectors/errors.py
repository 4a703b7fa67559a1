"""Every error the detectors raise on purpose.

::

    DetectorError
    ├── TakeError              exit 2: a take set or a sound file cannot be used as given
    ├── DetectorFileError      exit 2: a detector file is unreadable or foreign
    ├── SourceMissingError     exit 4: no such microphone or encoder, or its library is missing
    └── SourceLostError        exit 3: a microphone or encoder stopped delivering
"""

from __future__ import annotations


class DetectorError(Exception):
    """Base of the detectors' errors. ``exit_code`` is the exit status of a command."""

    exit_code: int = 3


class TakeError(DetectorError):
    """A take set or a sound file cannot be used as given."""

    exit_code = 2


class DetectorFileError(DetectorError):
    """A detector file is unreadable, foreign or out of range."""

    exit_code = 2


class SourceMissingError(DetectorError):
    """A microphone or encoder, or the system library behind it, is not there."""

    exit_code = 4


class SourceLostError(DetectorError):
    """A microphone or encoder stopped delivering during use."""
