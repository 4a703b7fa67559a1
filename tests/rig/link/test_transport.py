"""One contract for ports, over a pseudo-terminal, a socket and the virtual bench."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import termios
import tty
from collections.abc import Callable, Iterator

import pytest

from rig.errors import LinkBusyError, LinkClosedError, LinkLostError
from rig.link import transport
from rig.link.transport import PortLock, SerialPort, find_again, list_ports, open_port, stable_name

pytestmark = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals")


@pytest.fixture
def terminal() -> Iterator[tuple[int, str]]:
    """The far end of a raw pseudo-terminal, and the name of the near one."""
    far, near = os.openpty()
    tty.setraw(far)
    tty.setraw(near)
    name = os.ttyname(near)
    os.close(near)
    yield far, name
    for descriptor in (far,):
        try:
            os.close(descriptor)
        except OSError:
            continue


@pytest.fixture(params=["terminal", "socket"])
def pair(
    request: pytest.FixtureRequest, terminal: tuple[int, str]
) -> Iterator[tuple[SerialPort, Callable[[bytes], object], Callable[[], bytes]]]:
    """An open port with the far end's way to write and to read."""
    if request.param == "terminal":
        far, name = terminal
        port = open_port(name, baud=115200)
        yield port, lambda data: os.write(far, data), lambda: os.read(far, 100)
        port.close()
        return
    with socket.create_server(("127.0.0.1", 0)) as server:
        port = open_port(f"socket://127.0.0.1:{server.getsockname()[1]}", baud=115200)
        connection, _ = server.accept()
        with connection:
            yield port, connection.sendall, lambda: connection.recv(100)
        port.close()


def test_bytes_go_both_ways(pair) -> None:
    port, write, read = pair
    port.write(b"M105\n")
    assert read() == b"M105\n"
    write(b"ok\n")
    got = b""
    while b"\n" not in got:
        got += port.read_some(1.0)
    assert got == b"ok\n"
    assert port.read_some(0.0) == b""
    assert port.read_some(0.01) == b"", "silence is no error here: deadlines are the link's"


def test_our_own_closing_is_told_apart(pair) -> None:
    port, _, _ = pair
    port.close()
    port.close()
    with pytest.raises(LinkClosedError, match="closed by this program"):
        port.read_some()
    with pytest.raises(LinkClosedError):
        port.write(b"M105\n")


def test_a_lost_device_is_named(terminal: tuple[int, str]) -> None:
    far, name = terminal
    port = open_port(name, baud=115200)
    os.close(far)
    with pytest.raises(LinkLostError, match=f"{name} was lost while reading"):
        port.read_some(0.5)
    port.close()


def test_two_of_us_collide(terminal: tuple[int, str]) -> None:
    _, name = terminal
    port = open_port(name, baud=115200)
    with pytest.raises(
        LinkBusyError, match=rf"in use by another stallcurve \(process {os.getpid()}"
    ):
        open_port(name, baud=115200)
    port.close()
    open_port(name, baud=115200).close()


def test_a_killed_process_leaves_no_lock(terminal: tuple[int, str]) -> None:
    _, name = terminal
    script = (
        "import os, sys; from rig.link.transport import PortLock; "
        "lock = PortLock(sys.argv[1]); os.kill(os.getpid(), 9)"
    )
    done = subprocess.run([sys.executable, "-c", script, name], check=False)
    assert done.returncode == -9
    PortLock(name).release()


def test_another_program_holds_the_port(terminal: tuple[int, str]) -> None:
    """A program that knows nothing of our lock but opened the device exclusively."""
    import serial

    _, name = terminal
    other = serial.Serial(name, exclusive=True)
    with pytest.raises(LinkBusyError, match="another program"):
        open_port(name, baud=115200)
    other.close()
    open_port(name, baud=115200).close()


@pytest.mark.parametrize(
    "url", ["/dev/there-is-no-such-port", "socket://127.0.0.1:1", "nosuch://x"]
)
def test_what_cannot_be_opened(url: str) -> None:
    with pytest.raises(LinkLostError, match="cannot be opened"):
        open_port(url, baud=115200)


def test_an_odd_rate_and_raw_bytes(terminal: tuple[int, str]) -> None:
    far, name = terminal
    port = open_port(name, baud=250000)
    os.write(far, b"\xfe\x80\x00\xf8start\r\n")
    got = b""
    while b"\n" not in got:
        got += port.read_some(1.0)
    assert got == b"\xfe\x80\x00\xf8start\r\n", "nothing is translated"
    assert not termios.tcgetattr(far)[3] & termios.ECHO
    port.close()


def test_stable_names(tmp_path, monkeypatch: pytest.MonkeyPatch, terminal) -> None:
    _, name = terminal
    (tmp_path / "usb-house_0042-if00").symlink_to(name)
    monkeypatch.setattr(transport, "_BY_ID", tmp_path)
    assert stable_name(name) == str(tmp_path / "usb-house_0042-if00")
    assert stable_name("/dev/null") is None
    monkeypatch.setattr(transport, "_BY_ID", tmp_path / "nothing")
    assert stable_name(name) is None


def test_a_device_that_came_back_under_another_name(tmp_path, monkeypatch, terminal) -> None:
    far, name = terminal
    by_id = tmp_path / "usb-house_0042-if00"
    by_id.symlink_to(name)
    monkeypatch.setattr(transport, "_BY_ID", tmp_path)
    port = open_port(name, baud=115200)
    os.close(far)
    with pytest.raises(LinkLostError, match=r"it comes back as .*usb-house_0042-if00"):
        port.read_some(0.5)
    with pytest.raises(LinkLostError, match="has not come back"):
        find_again(port)
    far, near = os.openpty()
    by_id.unlink()
    by_id.symlink_to(os.ttyname(near))
    again = find_again(port)
    assert again.name == str(by_id)
    again.close()
    os.close(far)
    os.close(near)


def test_ports_are_listed_without_failing() -> None:
    assert all(port.device for port in list_ports())
