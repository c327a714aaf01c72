"""Owns the serial line: the only place that knows pyserial, its URLs and the kernel's ways of saying no."""

from __future__ import annotations

import errno
import fcntl
import grp
import os
import pwd
import termios
from pathlib import Path

import serial

from logger.errors import LineFault, LineInUse, LineRefused
from logger.plan import SourcePlan

PATIENCE_S = 0.25
MAX_READ = 65_536
WRITE_S = 2.0

_PARITY = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


class SerialLine:
    """A serial line, opened for us alone, its control lines low.

    Parameters
    ----------
    plan : SourcePlan
        Its port (a device, or a URL that pyserial takes), speed, parity and stop bits.
    patience_s : float
        How long `read` waits for the first byte [s].
    """

    def __init__(self, plan: SourcePlan, patience_s: float = PATIENCE_S) -> None:
        self._plan = plan
        self._where = plan.port or ""
        self._patience_s = patience_s
        self._port: serial.Serial | None = None

    def open(self) -> None:
        """Open the line.

        Raises
        ------
        LineInUse
            Another program holds it.
        LineRefused
            We may not; the message says which group may.
        LineFault
            It is not there, or it is no serial line.
        """
        try:
            self._port = self._made()
            self._port.open()
            self._claim(self._port)
        except (OSError, ValueError, termios.error) as fault:
            self.close()
            raise _told(self._where, fault) from None
        except LineFault:
            self.close()
            raise

    def _made(self) -> serial.Serial:
        port: serial.Serial = serial.serial_for_url(
            self._where,
            do_not_open=True,
            baudrate=self._plan.baud,
            parity=_PARITY[self._plan.parity],
            stopbits=serial.STOPBITS_TWO if self._plan.stop_bits == 2 else serial.STOPBITS_ONE,
            timeout=self._patience_s,
            write_timeout=WRITE_S,
            exclusive=True,
        )
        # Many boards restart when these rise.
        port.dtr = False
        port.rts = False
        return port

    def _claim(self, port: serial.Serial) -> None:
        """Keep out whoever opens it from now on, and step back from whoever was there before.

        The advisory lock that pyserial takes binds those who ask for it; the kernel's flag binds all but root, from
        now on. A program that asked for neither is found among the processes: two readers would each get a part.
        """
        if not _is_device(port):
            return
        others = holders(self._where)
        if others:
            raise _in_use(self._where, others)
        fcntl.ioctl(port.fileno(), termios.TIOCEXCL)

    def read(self) -> bytes:
        """What has arrived; nothing after `patience_s` of silence.

        Raises
        ------
        LineFault
            The line was lost.
        """
        if self._port is None:
            raise LineFault(f"serial line {self._where}: not open")
        try:
            data: bytes = self._port.read(1)
        except (OSError, termios.error) as fault:
            raise LineFault(f"serial line {self._where}: lost ({fault}); is it still plugged in?") from None
        try:
            while data and len(data) < MAX_READ and (waiting := self._port.in_waiting):
                data += self._port.read(waiting)
        except OSError:
            pass  # what came before the loss is kept; the next read says that the line is lost
        return data

    def write(self, data: bytes) -> None:
        """Send; only a bus whose units speak when asked needs it.

        Raises
        ------
        LineFault
            The line was lost, or takes nothing.
        """
        if self._port is None:
            raise LineFault(f"serial line {self._where}: not open")
        try:
            self._port.write(data)
        except (OSError, termios.error) as fault:
            raise LineFault(f"serial line {self._where}: lost ({fault}); is it still plugged in?") from None

    def close(self) -> None:
        """Give the line back; a line that is gone already is no fault."""
        port, self._port = self._port, None
        if port is None:
            return
        try:
            if _is_device(port) and port.is_open:
                fcntl.ioctl(port.fileno(), termios.TIOCNXCL)
        except OSError:
            pass
        finally:
            port.close()


def _is_device(port: serial.Serial) -> bool:
    """Whether it is a device of this machine; what serves a URL only behaves like one."""
    return type(port) is serial.Serial


# -- what went wrong, in words -------------------------------------------------------------------------------


def _told(where: str, fault: Exception) -> LineFault:
    code = fault.args[0] if isinstance(fault, termios.error) else getattr(fault, "errno", None)
    if code in (errno.EBUSY, errno.EAGAIN):
        return _in_use(where, holders(where))
    if code in (errno.EACCES, errno.EPERM):
        return LineRefused(f"serial line {where}: refused; {_way_in(where)}")
    if code in (errno.ENOENT, errno.ENODEV, errno.ENXIO, errno.EIO):
        return LineFault(f"serial line {where}: not there; plug it in ('noonmark listen' lists what is there)")
    if isinstance(fault, ValueError):
        return LineFault(f"serial line {where}: {fault}; see port, baud and parity in the settings")
    if Path(where).exists() and not Path(where).is_char_device():
        return LineFault(f"serial line {where}: no serial line but a file; see port in the settings")
    return LineFault(f"serial line {where}: {fault}")


def _in_use(where: str, others: list[str]) -> LineInUse:
    who = f" ({', '.join(others)})" if others else ""
    return LineInUse(f"serial line {where}: another program holds it{who}; close that program")


def _way_in(where: str) -> str:
    """Who may open the device, and how to become one of them."""
    try:
        about = Path(where).stat()
        group = grp.getgrgid(about.st_gid).gr_name
    except (OSError, KeyError):
        return "ask whoever keeps this machine for access"
    try:
        user = pwd.getpwuid(os.geteuid()).pw_name
    except KeyError:
        user = "$USER"
    if about.st_mode & 0o060 == 0o060 and group != "root":
        return f"it belongs to group {group}: run 'sudo usermod -aG {group} {user}', then log in again"
    return f"its owner alone may open it: run 'sudo chgrp dialout {where} && sudo chmod g+rw {where}'"


def holders(where: str) -> list[str]:
    """Other programs that have the device open, as ``name, pid``, so far as we may look.

    The program at the far end of a pseudo-terminal is the device, not another reader of it.
    """
    try:
        device = Path(where).stat().st_rdev
    except OSError:
        return []
    own = str(os.getpid())
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        if process.name != own and _holds(process, where, device):
            try:
                found.append(f"{(process / 'comm').read_text(encoding='utf-8').strip()}, pid {process.name}")
            except OSError:
                continue
    return found


def _holds(process: Path, where: str, device: int) -> bool:
    holds = False
    try:
        for entry in (process / "fd").iterdir():
            target = str(entry.readlink())
            if target.endswith("/ptmx") and _is_far_end(process / "fdinfo" / entry.name, where):
                return False
            holds = holds or (target.startswith("/dev/") and entry.stat().st_rdev == device)
    except OSError:
        return False
    return holds


def _is_far_end(about: Path, where: str) -> bool:
    number = os.path.realpath(where).removeprefix("/dev/pts/")
    return any(line.split() == ["tty-index:", number] for line in about.read_text(encoding="ascii").splitlines())
