"""The one exit: whatever ends a run, heaters go off and the current goes back.

::

    with Guard(printer, clock=clock, envelope=Envelope(max_temperature_c=260.0)) as guard:
        ...            # anything; call guard.check() often

On the way out, however it comes about, each step is tried even if another failed: feeding stops,
heaters go off and that is verified, settings and current go back, what was registered with
`Guard.add_cleanup` is done, the port is closed. A heater that does not confirm is met with the
firmware's emergency verb. What could not be done is said in plain words.
"""

from __future__ import annotations

import signal
import sys
import threading
from collections.abc import Callable
from types import FrameType, TracebackType
from typing import TYPE_CHECKING, Any, TypeVar

from rig.clock import Clock
from rig.errors import InterruptedRunError, LinkLostError
from rig.guard_envelope import Envelope, Interlock

if TYPE_CHECKING:
    from rig.link.conversation import Port
    from rig.printer import Printer

__all__ = ["Envelope", "Guard", "Interlock", "caution_text"]

_T = TypeVar("_T")

#: Times that switching off is tried before the emergency verb.
_TRIES = 3
#: How long a lost device is looked for before its heater has to be given up, in s.
_SEARCH_S = 15.0
_SEARCH_EVERY_S = 0.5
#: Interrupts that one step of the exit survives.
_INTERRUPTS = 20

STILL_HOT = "the heater may still be on and hot: switch the printer off at the mains now"


class _StopAskedError(KeyboardInterrupt):
    """A signal asked for the stop; a KeyboardInterrupt, so that no handler of errors eats it."""


class Guard:
    """Context manager round everything that heats or moves.

    Args:
        printer: The printer to make safe; it need not be connected yet.
        clock: Time and waiting.
        envelope: The interlocks' limits.
        say: Where plain words go; standard error by default.
        reopen: Opens the printer's port anew after it was lost; by default the same device is
            looked for under its stable name, its name and its serial number.
    """

    def __init__(
        self,
        printer: Printer,
        *,
        clock: Clock,
        envelope: Envelope,
        say: Callable[[str], None] | None = None,
        reopen: Callable[[], Port] | None = None,
    ) -> None:
        self.printer = printer
        self.clock = clock
        self.interlock = Interlock(envelope, clock.now())
        self._say = say or _to_standard_error
        self._reopen = reopen or self._find_again
        self._cleanups: list[tuple[str, Callable[[], object]]] = []
        self._handlers: dict[int, Any] = {}
        self._asked: str | None = None
        self._problems: list[str] | None = None

    def __enter__(self) -> Guard:
        self.interlock.started_s = self.clock.now()
        if threading.current_thread() is threading.main_thread():
            for name in ("SIGINT", "SIGTERM", "SIGHUP"):
                number = getattr(signal, name, None)
                if number is not None:
                    self._handlers[number] = signal.getsignal(number)
                    signal.signal(number, self._signalled)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        # From here on a signal only leaves a word: the first one is what brought us here, and a
        # second must not keep the heater from going off.
        self._asked = self._asked or "the end of the run"
        try:
            for problem in self.safe_state():
                self._tell(problem)
        finally:
            self._hand_back_signals()
        if isinstance(error, KeyboardInterrupt):
            raise InterruptedRunError(
                f"stopped by {error if isinstance(error, _StopAskedError) else 'Ctrl-C'}: the "
                "printer was made safe and finished trials are kept; resume the run to go on"
            ) from error

    def add_cleanup(self, name: str, action: Callable[[], object]) -> None:
        """Register something to be done after the heaters are off (a microphone to stop)."""
        self._cleanups.append((name, action))

    def check(self) -> None:
        """Compare what is known with the envelope; cheap, call it often.

        Raises:
            InterlockError: A temperature, heater or silence interlock tripped.
            LimitReachedError: The hours are over.
        """
        if self._problems is not None:
            return  # on the way out nothing may keep the heaters from going off
        self.interlock.target(self.printer.target_c, self.printer.target_set_s)
        if self.printer.last_temperature is not None:
            self.interlock.observe(self.printer.last_temperature)
        self.interlock.check(self.clock.now())

    def safe_state(self) -> list[str]:
        """Bring everything to rest; returns in plain words what could not be done.

        Heaters first; nothing raises. A second call does nothing and returns the same.
        """
        if self._problems is not None:
            return self._problems
        problems: list[str] = []
        self._problems = problems
        if self._heaters_off(problems):
            undone, failure = self._step(self.printer.restore)
            problems.extend(f"not put back: {what}" for what in undone or ())
            if failure:
                problems.append(f"settings were not put back: {failure}")
        for name, action in reversed(self._cleanups):
            _, failure = self._step(action)
            if failure:
                problems.append(f"{name}: {failure}")
        _, failure = self._step(self.printer.close)
        if failure:
            problems.append(f"the port could not be closed: {failure}")
        return problems

    # -- inside ---------------------------------------------------------------------------------

    def _heaters_off(self, problems: list[str]) -> bool:
        """Whether the heaters confirmed that they are off."""
        needed = self.printer.has_heated or self.printer.identity is not None
        why = ""
        for _ in range(_TRIES if needed else 1):
            _, failure = self._step(self.printer.heaters_off)
            if failure is None:
                return True
            why = str(failure)
            if isinstance(failure, LinkLostError) and needed:
                _, gone = self._step(self._get_back)
                if gone is not None:
                    why = str(gone)
                    break
        if not needed:
            return False  # nothing was ever switched on, and nobody answers
        _, failure = self._step(self.printer.emergency)
        if failure is None:
            # A firmware that obeys falls silent, restarts, or says that it has stopped.
            problems.append(
                f"the printer did not confirm that its heaters are off ({why}); its emergency stop "
                f"was sent: reset it before the next run; {STILL_HOT}"
            )
        else:
            problems.append(f"the heaters could not be switched off ({why}); {STILL_HOT}")
        return False

    def _get_back(self) -> None:
        """Open the lost port again, looking for the device for a while."""
        end_s = self.clock.now() + _SEARCH_S
        while True:
            try:
                self.printer.reopened(self._reopen())
                return
            except LinkLostError:
                if self.clock.now() >= end_s:
                    raise
            self.clock.sleep(_SEARCH_EVERY_S)

    def _find_again(self) -> Port:
        from rig.link.transport import SerialPort, find_again

        port = self.printer.link.port
        if not isinstance(port, SerialPort):
            raise LinkLostError(f"{port.name} is gone")
        return find_again(port)

    def _step(self, action: Callable[[], _T]) -> tuple[_T | None, BaseException | None]:
        """Do one step of the exit; an interrupt in its middle makes it begin again."""
        failure: BaseException | None = None
        for _ in range(_INTERRUPTS):
            try:
                return action(), None
            except KeyboardInterrupt as interrupt:
                failure = interrupt
            except Exception as error:
                return None, error
        return None, failure

    def _signalled(self, number: int, _frame: FrameType | None) -> None:
        """The first signal stops the run; any other only gets a word."""
        name = signal.Signals(number).name
        if self._asked is not None:
            self._tell(f"{name}: already stopping; the heaters are being switched off")
            return
        self._asked = name
        raise _StopAskedError("Ctrl-C" if name == "SIGINT" else name)

    def _hand_back_signals(self) -> None:
        handlers, self._handlers = self._handlers, {}
        for number, handler in handlers.items():
            signal.signal(number, handler if handler is not None else signal.SIG_DFL)

    def _tell(self, text: str) -> None:
        try:
            self._say(text)
        except Exception:  # a broken pipe must not keep anything from being made safe
            return


def _to_standard_error(text: str) -> None:
    sys.stderr.write(text + "\n")
    sys.stderr.flush()


def caution_text(*, unattended: bool = False) -> str:
    """What a person has to know before heating, and before leaving the room."""
    return _UNATTENDED if unattended else _HEATING


_HEATING = """\
Before the hot end is heated:
 - Burns. Nozzle and hot filament are at 200 C and more, and stay hot for minutes after the end.
   Keep hands, hair and cables away; hot plastic that drips sticks to the skin.
 - Fire. A loose sensor, a worn wire or a stuck switch can overheat a hot end whatever the software
   says. Nothing that burns belongs near it; have a way to cut the mains within reach.
 - Fumes. Melting plastic gives off particles and vapours: air the room, do not bend over it.
 - The printer. The motor is driven until it skips, again and again: it wears the filament and can
   jam the hot end. A wrong current, temperature or dialect can wreck motor, driver and hot end.
   The head has to stand still, high above an empty bed, with room for the pile.
The manual of the printer's maker and the rules of the place come before anything said here.
"""

_UNATTENDED = """\
Before the printer is left alone:
 - Never rely on software alone, this one included. It watches temperatures and switches off when
   something is amiss, but it cannot when the computer, the cable or the firmware has failed.
   Heat without a person in the room needs an independent thermal cut-out that needs no software,
   a smoke alarm that somebody hears, and a place where a fire could not spread.
 - The firmware's own protection against runaway heaters has to be on and tried.
 - The pile of filament must not reach the nozzle, and nothing must fall into it.
 - If the computer dies, most firmwares go on heating until they are switched off.
If one of these is missing, stay in the room. The manual of the printer's maker, the rules of the
place and the insurer's terms come before anything said here.
"""
