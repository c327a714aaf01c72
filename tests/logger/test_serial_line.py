"""The serial line on real pseudo-terminals: opened for us alone, every fault in plain words."""

from __future__ import annotations

import fcntl
import os
import socket
import subprocess
import sys
import termios
import tty
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from logger.errors import LineFault, LineInUse, LineRefused
from logger.sources.serial_line import SerialLine, holders

from .plans import channel, source

pytestmark = pytest.mark.terminal


class Device:
    """The far end of a pseudo-terminal; the near end is closed, as a device that nobody listens to."""

    def __init__(self) -> None:
        self.end, near = os.openpty()
        tty.setraw(near)
        self.name = os.ttyname(near)
        os.close(near)
        self._open = True

    def says(self, data: bytes) -> None:
        os.write(self.end, data)

    def unplug(self) -> None:
        if self._open:
            os.close(self.end)
            self._open = False


@pytest.fixture
def device() -> Iterator[Device]:
    made = Device()
    yield made
    made.unplug()


def line(port: str) -> SerialLine:
    return SerialLine(source(channel(1), port=port, baud=19200))


def read_all(opened: SerialLine, size: int) -> bytes:
    data = b""
    while len(data) < size:
        data += opened.read()
    return data


def test_bytes_come_as_they_were_sent(device: Device) -> None:
    """All 256 of them, raw."""
    with closing(line(device.name)) as opened:
        opened.open()
        device.says(bytes(range(256)))
        assert read_all(opened, 256) == bytes(range(256))
        assert opened.read() == b""


def test_the_speed_is_the_settings(device: Device) -> None:
    """As declared."""
    with closing(line(device.name)) as opened:
        opened.open()
        assert termios.tcgetattr(device.end)[4] == termios.B19200


def test_a_vanished_device_is_a_loss(device: Device) -> None:
    """Neither an endless silence nor an exception of another kind; closing it afterwards is no fault."""
    opened = line(device.name)
    opened.open()
    device.unplug()
    with pytest.raises(LineFault, match=r"serial line /dev/pts/\d+: lost .* is it still plugged in\?"):
        read_all(opened, 1)
    opened.close()
    with pytest.raises(LineFault, match="not there; plug it in"):
        opened.open()


def test_a_line_is_opened_for_one_alone(device: Device) -> None:
    """The advisory lock and the kernel's flag are both set, and given back on closing."""
    first, second = line(device.name), line(device.name)
    first.open()
    with pytest.raises(LineInUse, match="another program holds it"):
        second.open()
    descriptor = os.open(device.name, os.O_RDWR | os.O_NOCTTY) if os.geteuid() == 0 else None
    if descriptor is not None:
        # Root alone may pass the flag; to ask for it the line must be open.
        assert int.from_bytes(fcntl.ioctl(descriptor, 0x80045440, b"\0\0\0\0"), sys.byteorder) == 1  # TIOCGEXCL
        os.close(descriptor)
    else:
        with pytest.raises(OSError, match="busy"):
            os.open(device.name, os.O_RDWR | os.O_NOCTTY)
    first.close()
    second.open()
    second.close()


def test_a_program_that_asked_for_nothing_is_found(device: Device) -> None:
    """A reader without lock or flag would get a part of the bytes: we step back, and say who it is."""
    with (
        os.fdopen(os.open(device.name, os.O_RDONLY | os.O_NOCTTY), "rb", buffering=0) as near,
        subprocess.Popen(["sleep", "60"], stdin=near) as other,
    ):
        near.close()
        try:
            with pytest.raises(LineInUse, match=rf"another program holds it \(sleep, pid {other.pid}\); close that"):
                line(device.name).open()
        finally:
            other.kill()


def test_the_device_itself_is_no_other_reader(device: Device) -> None:
    """The program behind a pseudo-terminal may keep its near end open."""
    code = "import os, sys; a, b = os.openpty(); print(os.ttyname(b), flush=True); sys.stdin.read()"
    with subprocess.Popen(
        [sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as far:
        assert far.stdout
        name = far.stdout.readline().strip()
        assert holders(name) == []
        with closing(line(name)) as opened:
            opened.open()
        far.communicate("")


def test_a_refused_line_says_who_may_and_how(device: Device) -> None:
    """The group that owns it, and the command that joins it. Root passes every permission, so it steps down first."""
    Path(device.name).chmod(0o060)
    group = 20 if os.geteuid() == 0 else os.getgid()
    if os.geteuid() == 0:
        os.chown(device.name, 0, group)
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        if os.geteuid() == 0:
            os.setgroups([])
            os.setresgid(65534, 65534, 65534)
            os.setresuid(65534, 65534, 65534)
        said = "opened"
        try:
            line(device.name).open()
        except LineRefused as fault:
            said = str(fault)
        except BaseException as fault:
            said = repr(fault)
        os.write(writer, said.encode())
        os._exit(0)
    os.close(writer)
    with os.fdopen(reader) as pipe:
        said = pipe.read()
    os.waitpid(child, 0)
    assert said.startswith(f"serial line {device.name}: refused; it belongs to group ")
    assert "run 'sudo usermod -aG" in said
    assert said.endswith("then log in again")


@pytest.mark.parametrize(
    ("port", "message"),
    [
        ("/dev/serial/by-id/nowhere", r"not there; plug it in \('noonmark listen' lists what is there\)"),
        ("socket://127.0.0.1:1", "Could not open port"),
        ("carrier-pigeon://coop", "carrier-pigeon"),
    ],
)
def test_what_cannot_be_opened_says_why(port: str, message: str) -> None:
    """The line by its name, the reason, what to do."""
    with pytest.raises(LineFault, match=rf"^serial line {port}: .*{message}"):
        line(port).open()


def test_a_file_is_no_serial_line(tmp_path: Path) -> None:
    """Someone names the wrong thing."""
    path = tmp_path / "cabin.csv"
    path.write_text("13.1")
    with pytest.raises(LineFault, match="no serial line but a file"):
        line(str(path)).open()


def test_a_line_over_the_network(device: Device) -> None:
    """``socket://``: the same bytes, and a loss when the far end hangs up."""
    with (
        socket.create_server(("127.0.0.1", 0)) as server,
        closing(line(f"socket://127.0.0.1:{server.getsockname()[1]}")) as opened,
    ):
        opened.open()
        far, _ = server.accept()
        with far:
            far.sendall(b"V=13.1\n" * 100)
            assert read_all(opened, 700) == b"V=13.1\n" * 100
        with pytest.raises(LineFault, match="lost"):
            read_all(opened, 1)


def test_a_loop_is_a_line_too() -> None:
    """``loop://`` opens and is silent, as nobody speaks."""
    with closing(line("loop://")) as opened:
        opened.open()
        assert opened.read() == b""
