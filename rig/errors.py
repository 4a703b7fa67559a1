"""Every error the rig raises on purpose, in one tree.

::

    StallcurveError
    ├── UsageError                 exit 2: wrong command, wrong file; nothing was touched
    │   ├── BenchFileError         a bench file says something impossible or dangerous
    │   ├── DialectError           a dialect file is missing, incomplete or impossible
    │   ├── TableError             a table of thresholds or a curve file cannot be used
    │   ├── RangeError             a curve was asked for an answer outside what was measured
    │   └── RunFolderError         a run folder is missing, foreign, or belongs to another bench
    ├── UnfitBenchError            exit 4: a check of the real bench failed before a run
    └── StoppedSafelyError         exit 3: stopped before the end, in the safe state, resumable
        ├── InterruptedRunError    the person (Ctrl-C) or the system (SIGTERM) asked for it
        ├── LimitReachedError      hours, filament, pile or another limit of the plan is used up
        ├── InterlockError         a temperature, heater or silence interlock tripped
        └── LinkError              the conversation with the printer failed
            ├── LinkClosedError    we closed it ourselves
            ├── LinkLostError      the world broke it: cable, power, device gone
            ├── LinkBusyError      another program holds the port
            ├── ReplyTimeoutError  no (complete) answer within the deadline
            ├── FirmwareResetError the board restarted: run-time settings are gone
            ├── FirmwareHaltedError the firmware stopped itself and obeys nothing until reset
            └── CommandRefusedError the firmware understood and would not do it

Foreign exceptions (pyserial, sqlite, pydantic) are mapped once, where they enter, with ``from``.
Each message says in one or two lines what was asked, what is allowed, and what to do.
"""

from __future__ import annotations


class StallcurveError(Exception):
    """Base of all errors that a user may meet. ``exit_code`` is the exit status of a command."""

    exit_code: int = 3


class UsageError(StallcurveError):
    """Wrong use or wrong file; nothing was touched."""

    exit_code = 2


class BenchFileError(UsageError):
    """A bench file is unreadable, incomplete, impossible or dangerous."""


class DialectError(UsageError):
    """A dialect file is missing, incomplete or says something impossible."""


class TableError(UsageError):
    """A threshold table, curve file or take list cannot be used as given."""


class RangeError(UsageError):
    """A curve was asked for an answer outside the range that was measured."""


class RunFolderError(UsageError):
    """A run folder is missing, foreign, or was made from another bench file."""


class UnfitBenchError(StallcurveError):
    """The bench is not fit to run: a check failed."""

    exit_code = 4


class StoppedSafelyError(StallcurveError):
    """The run stopped before its end, in the safe state; finished trials are on disk."""

    exit_code = 3


class InterruptedRunError(StoppedSafelyError):
    """A person or the system asked for the stop."""


class LimitReachedError(StoppedSafelyError):
    """A limit of the plan (hours, filament, pile) is used up."""


class InterlockError(StoppedSafelyError):
    """A safety interlock tripped."""


class LinkError(StoppedSafelyError):
    """The conversation with the printer failed."""


class LinkClosedError(LinkError):
    """The link was closed by this program and then used."""


class LinkLostError(LinkError):
    """The port vanished or broke: cable, power or device gone."""


class LinkBusyError(LinkError):
    """Another program holds the port."""


class ReplyTimeoutError(LinkError):
    """No complete answer came within the deadline of the exchange."""


class FirmwareResetError(LinkError):
    """The board restarted by itself: every run-time setting is gone."""


class FirmwareHaltedError(LinkError):
    """The firmware halted itself; it obeys nothing until it is reset by hand."""


class CommandRefusedError(LinkError):
    """The firmware understood the command and refused it."""
