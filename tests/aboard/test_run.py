"""``noonmark run`` as real processes: what is killed comes back, nothing takes the recording down, no orphan stays."""

from __future__ import annotations

import os
import re
import signal
import socket
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from pathlib import Path

import pytest

from dashboard.commands.showing import free_port
from dashboard.schedule import Schedule
from dashboard.supervise import Orders
from logger import settings_file
from logger.clock import SystemClock
from logger.schema import prepare
from logger.sealed import DAY_MS
from logger.store import open_writer, transaction
from tests.logger.archives import insert

from .rig import Aboard, Device, device, heard_from_the_start, source, until

pytestmark = pytest.mark.terminal

FORBIDDEN = {"click", "pydantic", "dash", "pandas", "numpy", "scipy", "pyarrow", "sqlite_utils", "serial"}


@pytest.fixture
def cabin(tmp_path: Path) -> Iterator[Device]:
    with device(tmp_path / "cabin-controller") as made:
        yield made


@contextmanager
def running(aboard: Aboard, *options: str, **environment: str) -> Iterator[subprocess.Popen[bytes]]:
    """``noonmark run`` in a process; its children end with it, however it ends."""
    command = [sys.executable, "-m", "dashboard", "run", "--settings", str(aboard.settings), *options]
    yield from _process(aboard, command, (), environment)


@contextmanager
def supervising(aboard: Aboard, port: int | None = None, **environment: str) -> Iterator[subprocess.Popen[bytes]]:
    """The process that ``run`` becomes, with shorter rests than a vessel needs."""
    located = settings_file.read(aboard.settings)
    prepare(located.store_path)
    orders = Orders(
        plan=settings_file.plan(located).to_json(),
        store=str(located.store_path),
        settings=str(aboard.settings),
        schedule=Schedule(located.settings.site.longitude),
        port=port,
        settle_s=0.0,
        first_rest_s=0.1,
        job_rest_s=0.1,
    )
    descriptor = os.memfd_create("orders")
    os.write(descriptor, orders.to_json().encode())
    os.lseek(descriptor, 0, os.SEEK_SET)
    command = [sys.executable, "-P", "-m", "dashboard.supervise", "--orders-fd", str(descriptor)]
    try:
        yield from _process(aboard, command, (descriptor,), environment)
    finally:
        os.close(descriptor)


def _process(
    aboard: Aboard, command: list[str], given: tuple[int, ...], environment: dict[str, str]
) -> Iterator[subprocess.Popen[bytes]]:
    with (
        aboard.said.open("ab") as said,
        subprocess.Popen(
            command,
            cwd=aboard.folder,
            stderr=said,
            stdin=subprocess.DEVNULL,
            pass_fds=given,
            env={**os.environ, **environment},
        ) as process,
    ):
        try:
            yield process
        finally:
            left = list(children(process.pid).values())
            process.kill()
            until(lambda: not any(map(alive, left)), "the end of all")


def children(pid: int) -> dict[str, int]:
    """Child processes by what they run: ``logger``, ``pages``, ``assess``, ``archive``."""
    found = {}
    try:
        listing = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()
    except FileNotFoundError:
        return {}
    for child in listing:
        try:
            words = Path(f"/proc/{child}/cmdline").read_bytes().decode().split("\0")
        except (FileNotFoundError, ProcessLookupError):
            continue
        if "--plan-fd" in words:
            found["logger"] = int(child)
        elif "dashboard" in words:
            found[words[words.index("dashboard") + 1]] = int(child)
    return found


def alive(pid: int) -> bool:
    """Whether a process still runs; a zombie does not."""
    try:
        return Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rpartition(")")[2].split()[0] != "Z"
    except (FileNotFoundError, ProcessLookupError):
        return False


def child(process: subprocess.Popen[bytes], name: str, other_than: int = 0) -> int:
    """The id of a child, once there is one."""

    def look() -> int:
        pid = children(process.pid).get(name, 0)
        return 0 if pid == other_than else pid

    found: int = until(look, f"{name} to run")
    return found


def status(pid: int, key: str) -> int:
    (number,) = re.findall(rf"^{key}:\s+(\d+)", Path(f"/proc/{pid}/status").read_text(encoding="ascii"), re.MULTILINE)
    return int(number)


def old_samples(aboard: Aboard, days: int) -> int:
    """A row of some days ago, for the archive to seal; its time."""
    located = settings_file.read(aboard.settings)
    prepare(located.store_path)
    t = SystemClock().now_ms() - days * DAY_MS
    with closing(open_writer(located.store_path)) as connection, transaction(connection):
        connection.execute("INSERT INTO channel (name, unit) VALUES ('bank.house.voltage', 'V')")
        insert(connection, [(t, 1, 12.5)])
    return t


def test_all_that_a_vessel_needs_runs_by_itself(tmp_path: Path, cabin: Device) -> None:
    """Readings are kept, the pages answer, the harvest is judged, an old day is sealed; SIGTERM ends it all with 0."""
    aboard = Aboard(tmp_path, source(cabin))
    t, port = old_samples(aboard, 30), free_port(8300)
    with supervising(aboard, port) as process:
        heard_from_the_start(cabin)
        cabin.says(b"V=13.1,I=4.2\n")
        until(lambda: 13.1 in aboard.values(), "a reading")
        until(lambda: any("archive: done" in line for line in aboard.messages()), "the night's work")
        assert aboard.ask("SELECT 1 FROM sealed WHERE first = ?", t)
        until(lambda: any("The pages are at" in line for line in aboard.messages()), "the pages")
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/", timeout=30) as page:
            assert page.status == 200
        names = children(process.pid)
        cabin.says(b"V=13.2,I=4.2\n")
        process.terminate()
        assert process.wait(60) == 0
    assert not any(map(alive, names.values()))
    assert aboard.values() == [13.1, 13.2]
    assert aboard.ask("SELECT stopped_cleanly FROM session") == [(1,)]
    assert aboard.events("process") == []
    said = "\n".join(aboard.messages())
    assert "Sealed 1 day of samples (1)" in said
    assert said.index("assess: done") < said.index("archive: done")


def test_the_command_becomes_a_lean_process_and_keeps_its_id(tmp_path: Path, cabin: Device) -> None:
    """For the service manager: ready with the logger's first commit, alive by its own loop, small, ended by Ctrl-C."""
    aboard = Aboard(tmp_path, source(cabin))
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        manager.settimeout(60)
        watched = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "4000000"}
        with running(aboard, "--without-pages", **watched) as process:
            until(lambda: manager.recv(100) == b"READY=1", "ready")
            until(lambda: manager.recv(100) == b"WATCHDOG=1", "a ping")
            until(lambda: "dashboard.supervise" in Path(f"/proc/{process.pid}/cmdline").read_text(), "the exec")
            libraries = Path(f"/proc/{process.pid}/maps").read_text()
            resident, lean = status(process.pid, "VmRSS"), status(child(process, "logger"), "VmRSS")
            assert "pages" not in children(process.pid)
            process.send_signal(signal.SIGINT)
            assert process.wait(60) == 0
            manager.setblocking(False)
            told = []
            with suppress(BlockingIOError):
                while True:
                    told.append(manager.recv(100))
    assert told[-1] == b"STOPPING=1"
    assert "pydantic" not in libraries
    assert resident <= 20_000
    assert lean <= 30_000


def test_the_lean_process_imports_nothing_heavy() -> None:
    """By the interpreter's own word: standard library alone, not even the serial line."""
    code = "import dashboard.supervise, sys; print(*sys.modules)"
    done = subprocess.run([sys.executable, "-P", "-c", code], capture_output=True, text=True, check=True)
    assert not {name.partition(".")[0] for name in done.stdout.split()} & FORBIDDEN


def test_each_child_that_is_killed_comes_back(tmp_path: Path, cabin: Device) -> None:
    """kill -9 of the logger and of the pages: another one runs soon, the other did not notice, the record says so."""
    aboard = Aboard(tmp_path, source(cabin))
    with supervising(aboard, free_port(8300)) as process:
        heard_from_the_start(cabin)
        cabin.says(b"V=13.1,I=4.2\n")
        until(lambda: aboard.values() == [13.1], "a reading")
        logger, pages = child(process, "logger"), child(process, "pages")
        os.kill(pages, signal.SIGKILL)
        child(process, "pages", other_than=pages)
        assert child(process, "logger") == logger
        # Plugged in anew, so that it shows when the next one has opened it.
        cabin.unplug()
        os.kill(logger, signal.SIGKILL)
        child(process, "logger", other_than=logger)
        cabin.plug()
        heard_from_the_start(cabin)
        cabin.says(b"V=13.2,I=4.2\n")
        until(lambda: aboard.values() == [13.1, 13.2], "a reading after it")
        until(lambda: len(aboard.events("process")) == 2, "the events")
        process.terminate()
        assert process.wait(60) == 0
    assert [text.partition(";")[0] for text in aboard.events("process")] == [
        "pages: ended by SIGKILL",
        "logger: ended by SIGKILL",
    ]


def test_scheduled_work_that_is_killed_is_done_again(tmp_path: Path, cabin: Device) -> None:
    """kill -9 of the assessment and of the archive: both are tried again, and the day is sealed."""
    aboard = Aboard(tmp_path, source(cabin))
    t = old_samples(aboard, 30)
    with supervising(aboard) as process:
        first = child(process, "assess")
        assert status(first, "NSpid") == first
        assert os.getpriority(os.PRIO_PROCESS, first) >= 15
        os.kill(first, signal.SIGKILL)
        os.kill(child(process, "archive"), signal.SIGKILL)
        until(lambda: aboard.ask("SELECT 1 FROM sealed WHERE first = ?", t), "the sealing of an old day")
        until(lambda: len(aboard.events("process")) == 2, "the events")
        until(lambda: aboard.events("archive restored"), "the archive's")
        assert alive(child(process, "logger"))
        process.terminate()
        assert process.wait(60) == 0
    assert [text.split(" after")[0] for text in aboard.events("process")] == [
        "assess: failed by SIGKILL",
        "assess: works again",
    ]
    assert aboard.events("archive trouble")[0].startswith("archive: failed by SIGKILL")


def test_an_archive_that_cannot_work_is_told_once_and_harms_nobody(tmp_path: Path, cabin: Device) -> None:
    """A file lies where its folder should: the record says it once, however often it is tried, and readings go on."""
    aboard = Aboard(tmp_path, source(cabin))
    old_samples(aboard, 30)
    (tmp_path / "archive").write_text("in the way")
    with supervising(aboard) as process:
        heard_from_the_start(cabin)
        until(lambda: sum("archive: failed" in line for line in aboard.messages()) >= 2, "two failures")
        cabin.says(b"V=13.1,I=4.2\n")
        until(lambda: 13.1 in aboard.values(), "a reading")
        until(lambda: aboard.events("archive trouble"), "the event")
        (tmp_path / "archive").unlink()
        until(lambda: aboard.events("archive restored"), "the end of it")
        process.terminate()
        assert process.wait(60) == 0
    assert aboard.events("process") == []
    ((failed,), (mended,)) = aboard.events("archive trouble"), aboard.events("archive restored")
    assert failed.startswith("archive: failed with 1")
    assert str(tmp_path / "archive") in failed
    assert mended == "archive: works again"


def test_no_writer_outlives_its_parent(tmp_path: Path, cabin: Device) -> None:
    """kill -9 of the parent: the logger stops cleanly by itself, all it held written, and another may begin at once."""
    aboard = Aboard(tmp_path, source(cabin))
    with supervising(aboard, free_port(8300)) as process:
        heard_from_the_start(cabin)
        cabin.says(b"V=13.1,I=4.2\n")
        until(lambda: aboard.values() == [13.1], "a reading")
        child(process, "pages")
        cabin.says(b"V=13.2,I=4.2\n")
        left = list(children(process.pid).values())
        process.kill()
        process.wait()
        until(lambda: not any(map(alive, left)), "the end of all")
        cabin.unplug()
    cabin.plug()
    assert aboard.values()[0] == 13.1
    assert aboard.ask("SELECT stopped_cleanly FROM session") == [(1,)]
    with supervising(aboard) as process:
        heard_from_the_start(cabin)
        cabin.says(b"V=13.3,I=4.2\n")
        until(lambda: aboard.values()[-1] == 13.3, "a reading of the next one")
        process.terminate()
        assert process.wait(60) == 0


def test_a_logger_that_hangs_is_started_again(tmp_path: Path, cabin: Device) -> None:
    """It gives no sign of life for a deadline and cannot be asked to end: it is killed, and another one begins."""
    aboard = Aboard(tmp_path, source(cabin))
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as manager:
        manager.bind(str(tmp_path / "notify"))
        watched = {"NOTIFY_SOCKET": str(tmp_path / "notify"), "WATCHDOG_USEC": "3000000"}
        with supervising(aboard, **watched) as process:
            heard_from_the_start(cabin)
            cabin.says(b"V=13.1,I=4.2\n")
            until(lambda: aboard.values() == [13.1], "a reading")
            hung = child(process, "logger")
            os.kill(hung, signal.SIGSTOP)
            child(process, "logger", other_than=hung)
            until(lambda: aboard.events("process"), "the event")
            process.terminate()
            assert process.wait(60) == 0
    assert aboard.events("process")[0] == "logger: it does not move any more, and is ended"


def test_a_second_run_is_refused_with_a_reason(tmp_path: Path, cabin: Device) -> None:
    """Where a logger records already the command ends with 1 and says so, instead of trying for ever."""
    aboard = Aboard(tmp_path, source(cabin))
    with aboard.recording() as first:
        until(lambda: aboard.ask("SELECT 1 FROM session"), "the first logger")
        with running(aboard, "--without-pages") as process:
            assert process.wait(60) == 1
        first.terminate()
        assert first.wait(30) == 0
    assert any("another logger" in line or "records into it" in line for line in aboard.messages())
