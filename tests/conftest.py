"""Owns what every test stands on: nothing left behind, no network, one set of hypothesis profiles."""

from __future__ import annotations

import gc
import os
import socket
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

# The usual profile is the same on every run, so that a red run is the change's own; `search` looks further, with
# fresh randomness: pytest --hypothesis-profile=search.
settings.register_profile("noonmark", derandomize=True, deadline=None, database=None)
settings.register_profile("search", derandomize=False, deadline=None, max_examples=2000, print_blob=True)
settings.load_profile("noonmark")

_GRACE_S = 5.0


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--rebuild-captures", action="store_true", help="write the goldens of fixtures/captures anew")


@pytest.fixture(scope="session")
def rebuild_captures(request: pytest.FixtureRequest) -> bool:
    """Whether goldens are to be written; never where nobody reads the difference."""
    asked = bool(request.config.getoption("--rebuild-captures"))
    if asked and os.environ.get("CI"):
        pytest.exit("--rebuild-captures is refused under CI: goldens are read by a person", returncode=4)
    return asked


@pytest.fixture(autouse=True)
def nothing_left_behind() -> Iterator[None]:
    """Fail a test that leaves a thread, a child process, a pseudo-terminal, a listening port or a store open."""
    threads, children, files = set(threading.enumerate()), _children(), _files()
    yield
    for thread in set(threading.enumerate()) - threads:
        thread.join(_GRACE_S)
    if _files() - files:
        gc.collect()  # what only waits for the collector is closed late, and warns by itself
    left = [
        *(f"thread {thread.name}" for thread in set(threading.enumerate()) - threads),
        *(f"child process {pid}" for pid in _children() - children),
        *(f"open {target}" for _, target in sorted(_files() - files)),
    ]
    if left:
        pytest.fail("left behind: " + "; ".join(left))


@pytest.fixture(autouse=True)
def own_environment(monkeypatch: pytest.MonkeyPatch) -> None:
    """No test depends on what the person at the keyboard has set."""
    for name in ("NOONMARK_SETTINGS", "NO_COLOR", "FORCE_COLOR", "COLUMNS"):
        monkeypatch.delenv(name, raising=False)


@pytest.fixture(autouse=True, scope="session")
def no_network() -> Iterator[None]:
    """A connection that would leave the machine fails, with its address."""
    real = socket.socket.connect

    def connect(self: socket.socket, address: Any) -> None:
        if self.family in (socket.AF_INET, socket.AF_INET6) and not _local(str(address[0])):
            raise PermissionError(f"a test may not leave the machine: {address}")
        real(self, address)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(socket.socket, "connect", connect)
        yield


def _local(host: str) -> bool:
    return host in ("::1", "localhost") or host.startswith("127.")


def _children() -> set[int]:
    """Child processes, zombies too: a child that nobody waited for is left behind."""
    found: set[int] = set()
    for listing in Path("/proc/self/task").glob("*/children"):
        try:
            found |= {int(pid) for pid in listing.read_text(encoding="ascii").split()}
        except FileNotFoundError:  # a thread that ended meanwhile
            continue
    return found


def _files() -> set[tuple[int, str]]:
    """Open descriptors that matter: pseudo-terminals, listening ports, stores."""
    found: set[tuple[int, str]] = set()
    ports: dict[str, str] | None = None
    for entry in Path("/proc/self/fd").iterdir():
        try:
            target = str(entry.readlink())
        except FileNotFoundError:
            continue
        if target.startswith("socket:"):
            ports = _listening() if ports is None else ports
            target = ports.get(target, "")
        if target.startswith(("/dev/pts/", "/dev/ptmx", "port ")) or target.endswith((".db", ".db-wal", ".db-shm")):
            found.add((int(entry.name), target))
    return found


def _listening() -> dict[str, str]:
    """Listening TCP sockets of this network, by the name their descriptor has."""
    found: dict[str, str] = {}
    for table in ("/proc/self/net/tcp", "/proc/self/net/tcp6"):
        if Path(table).exists():
            for row in Path(table).read_text(encoding="ascii").splitlines()[1:]:
                fields = row.split()
                if fields[3] == "0A":
                    found[f"socket:[{fields[9]}]"] = f"port {int(fields[1].rpartition(':')[2], 16)}"
    return found
