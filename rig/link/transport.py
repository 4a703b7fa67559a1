"""The port itself: found, locked, opened, read and written. Foreign exceptions end here.

Any pyserial URL or device name will do. `open_port` also makes the virtual bench known to pyserial
(``sim://``), so the code above cannot tell it from a cable.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from rig.errors import LinkBusyError, LinkClosedError, LinkLostError, ReplyTimeoutError

_HANDLERS = "rig.simulation.handlers"
_WRITE_TIMEOUT_S = 2.0
# pyserial talks to the operating system whenever a time-out changes, so few values are used.
_WAITS_S = (0.05, 0.01, 0.002)
_BY_ID = Path("/dev/serial/by-id")


@dataclass(frozen=True, slots=True)
class PortInfo:
    """A serial port of this machine.

    Attributes:
        device: Its name now; it may change when the cable is pulled.
        stable_name: The name that stays with the device, or None where there is none.
        description: What the device says of itself.
        serial_number: Its serial number, or None.
    """

    device: str
    stable_name: str | None
    description: str
    serial_number: str | None


def list_ports() -> list[PortInfo]:
    """The serial ports there are, real devices first, sorted by name."""
    from serial.tools import list_ports as foreign

    found = [
        PortInfo(
            device=port.device,
            stable_name=stable_name(port.device),
            description=port.description if port.description not in (None, "n/a") else "",
            serial_number=port.serial_number,
        )
        for port in foreign.comports()
    ]
    return sorted(found, key=lambda port: (port.stable_name is None, port.device))


def stable_name(device: str) -> str | None:
    """The name under /dev/serial/by-id that points to ``device``, or None."""
    with contextlib.suppress(OSError):
        target = os.path.realpath(device)
        for link in sorted(_BY_ID.iterdir()):
            if os.path.realpath(link) == target:
                return str(link)
    return None


def find_again(port: SerialPort) -> SerialPort:
    """Open the device behind a lost port anew, under whatever name it has now.

    Raises:
        LinkLostError: It is not there (yet).
    """
    port.close()
    names = [port.stable_name, port.name]
    if port.serial_number:
        names += [p.device for p in list_ports() if p.serial_number == port.serial_number]
    failure: LinkLostError | LinkBusyError | None = None
    for name in dict.fromkeys(name for name in names if name):
        try:
            return open_port(name, baud=port.baud)
        except (LinkLostError, LinkBusyError) as error:
            failure = error
    raise LinkLostError(f"{port.name} has not come back: {failure}") from failure


def is_url(port: str) -> bool:
    """Whether ``port`` is a pyserial URL rather than the name of a device."""
    return "://" in port


def _serial_number(device: str) -> str | None:
    target = os.path.realpath(device)
    return next((p.serial_number for p in list_ports() if p.device == target), None)


class PortLock:
    """A lock of our own on one port, kept until released.

    Exclusive opening refuses only programs that ask for it too. The lock file lies in the system's
    temporary folder and says which process holds it. It is taken with the operating system's file
    lock, so a killed process leaves none behind.
    """

    __slots__ = ("_descriptor", "port")

    def __init__(self, port: str) -> None:
        """Take the lock. Raises `LinkBusyError` where another process of ours holds it."""
        self.port = port
        self._descriptor: int | None = None
        try:
            import fcntl
        except ImportError:  # the system opens ports exclusively by itself
            return
        name = port if is_url(port) else os.path.realpath(port)
        digest = hashlib.sha256(name.encode()).hexdigest()[:16]
        place = os.path.join(tempfile.gettempdir(), f"stallcurve-port-{digest}.lock")
        flags = os.O_CREAT | os.O_CLOEXEC | os.O_NOFOLLOW
        try:
            descriptor = os.open(place, os.O_RDWR | flags, 0o666)
        except PermissionError:
            descriptor = os.open(place, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError as error:
            holder = os.pread(descriptor, 32, 0).decode("ascii", "replace").strip()
            os.close(descriptor)
            raise LinkBusyError(
                f"{port} is in use by another stallcurve (process {holder or 'unknown'}): "
                "end that one first"
            ) from error
        with contextlib.suppress(OSError):
            os.ftruncate(descriptor, 0)
            os.pwrite(descriptor, str(os.getpid()).encode(), 0)
        self._descriptor = descriptor

    def release(self) -> None:
        """Give the lock back. Safe to call again."""
        if self._descriptor is not None:
            os.close(self._descriptor)
            self._descriptor = None


class SerialPort:
    """An open port: bytes in and out, with waits bounded and errors mapped.

    Attributes:
        name: The port as it was asked for.
        baud: Its rate.
        stable_name: The name that survives pulling the cable, where there is one.
        serial_number: The device's serial number, where it has one.
    """

    def __init__(self, foreign: Any, *, name: str, baud: int, lock: PortLock | None) -> None:
        self._foreign = foreign
        self._lock = lock
        self._open = True
        self.name = name
        self.baud = baud
        self.stable_name = None if is_url(name) else stable_name(name)
        self.serial_number = None if is_url(name) else _serial_number(name)

    @property
    def is_open(self) -> bool:
        """Whether it has not been closed by us."""
        return self._open

    def read_some(self, wait_s: float = 0.0) -> bytes:
        """What has come, at once; else whatever comes first within ``wait_s`` seconds, or b"".

        Raises:
            LinkClosedError: We closed the port.
            LinkLostError: The device is gone.
        """
        self._still_ours()
        try:
            waiting = self._foreign.in_waiting
            if waiting:
                return bytes(self._foreign.read(waiting))
            left = wait_s
            while left > 0:
                wait = next((w for w in _WAITS_S if w <= left), left)
                if self._foreign.timeout != wait:
                    self._foreign.timeout = wait
                if first := self._foreign.read(1):
                    rest = self._foreign.in_waiting
                    return bytes(first) + bytes(self._foreign.read(rest) if rest else b"")
                left -= wait
                if left < 1e-4:
                    break
        except Exception as error:
            mapped = self._mapped(error, "reading")
            if mapped is error:
                raise
            raise mapped from error
        return b""

    def write(self, data: bytes) -> None:
        """Send ``data``.

        Raises:
            LinkClosedError: We closed the port.
            LinkLostError: The device is gone.
            ReplyTimeoutError: The device takes no bytes.
        """
        self._still_ours()
        try:
            self._foreign.write(data)
        except Exception as error:
            mapped = self._mapped(error, "writing")
            if mapped is error:
                raise
            raise mapped from error

    def close(self) -> None:
        """Close it and give the lock back. Safe to call again; never raises."""
        self._open = False
        with contextlib.suppress(Exception):
            self._foreign.close()
        if self._lock is not None:
            self._lock.release()

    def _still_ours(self) -> None:
        if not self._open:
            raise LinkClosedError(f"{self.name} was closed by this program and then used")

    def _mapped(self, error: Exception, doing: str) -> Exception:
        import serial

        if isinstance(error, serial.SerialTimeoutException):
            return ReplyTimeoutError(
                f"{self.name} takes no bytes (waited {_WRITE_TIMEOUT_S:g} s): "
                "the board hangs or the cable is broken; switch the printer off and on"
            )
        if isinstance(error, OSError | serial.SerialException | TypeError):
            # TypeError: pyserial closed under our feet by the operating system's signal.
            hint = (
                f"; it comes back as {self.stable_name}"
                if self.stable_name and self.stable_name != self.name
                else ""
            )
            return LinkLostError(
                f"{self.name} was lost while {doing} ({error}): check cable and power{hint}"
            )
        return error


def know_virtual_ports() -> None:
    """Make ``sim://`` known to pyserial: a virtual bench is a port like any other from then on."""
    import serial

    if _HANDLERS not in serial.protocol_handler_packages:
        serial.protocol_handler_packages.append(_HANDLERS)


def open_port(url: str, *, baud: int) -> SerialPort:
    """Open a port for ourselves alone.

    Args:
        url: A device (``/dev/serial/by-id/...``, ``COM3``) or any pyserial URL.
        baud: Rate in bits per second.

    Raises:
        LinkBusyError: Another program holds the port.
        LinkLostError: There is no such port, or it cannot be opened.
    """
    import serial

    know_virtual_ports()
    lock = None if is_url(url) and not url.startswith("socket://") else PortLock(url)
    try:
        options: dict[str, Any] = {"timeout": _WAITS_S[0], "write_timeout": _WRITE_TIMEOUT_S}
        if not is_url(url) and os.name == "posix":
            options["exclusive"] = True
        foreign = serial.serial_for_url(url, baudrate=baud, **options)
    except Exception as error:
        if lock is not None:
            lock.release()
        mapped = _refused_to_open(url, baud, error)
        if mapped is error:
            raise
        raise mapped from error
    return SerialPort(foreign, name=url, baud=baud, lock=lock)


def _refused_to_open(url: str, baud: int, error: Exception) -> Exception:
    """What opening failed with, in our own words."""
    import serial

    code = getattr(error, "errno", None)
    if code in (errno.EBUSY, errno.EAGAIN, errno.EWOULDBLOCK) or "exclusively lock" in str(error):
        return LinkBusyError(f"{url} is in use by another program: close that one first")
    if code in (errno.EACCES, errno.EPERM):
        return LinkLostError(
            f"{url} may not be opened by this user: on Linux, add the user to the group that owns "
            f"it (often dialout) and log in again ({error})"
        )
    if isinstance(error, OSError | ValueError | serial.SerialException):
        if is_url(url):
            return LinkLostError(f"{url} cannot be opened at {baud} baud: {error}")
        there = ", ".join(port.stable_name or port.device for port in list_ports()) or "none"
        return LinkLostError(f"{url} cannot be opened ({error}); ports that are there: {there}")
    return error
