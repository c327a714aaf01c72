"""Signs of life of the logger's own stages, and what the service manager is told."""

from __future__ import annotations

import math
import os
import socket
import threading
from collections.abc import Iterator
from pathlib import Path

import pytest

from logger.watch import UNWATCHED_GRACE_S, ServiceManager, Stage, Watch

PATIENCE_S = 20.0


@pytest.fixture
def manager_end(tmp_path: Path) -> Iterator[socket.socket]:
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as end:
        end.bind(str(tmp_path / "notify"))
        end.settimeout(PATIENCE_S)
        yield end


def _next(end: socket.socket) -> bytes | None:
    """The next message, None where none comes in time."""
    try:
        return end.recv(100)
    except TimeoutError:
        return None


def environment(end: socket.socket, usec: int | None = None) -> dict[str, str]:
    found = {"NOTIFY_SOCKET": str(end.getsockname())}
    return found if usec is None else {**found, "WATCHDOG_USEC": str(usec), "WATCHDOG_PID": str(os.getpid())}


def test_messages_are_plain_datagrams(manager_end: socket.socket) -> None:
    """As sd_notify(3) has them; also to a socket in the abstract name space, written with an @."""
    ServiceManager(environment(manager_end)).tell("READY=1")
    assert manager_end.recv(100) == b"READY=1"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as abstract:
        abstract.bind(f"\0noonmark-test-{os.getpid()}")
        abstract.settimeout(PATIENCE_S)
        ServiceManager({"NOTIFY_SOCKET": f"@noonmark-test-{os.getpid()}"}).tell("READY=1")
        assert abstract.recv(100) == b"READY=1"


def test_without_a_manager_nothing_is_sent_and_nothing_fails(tmp_path: Path) -> None:
    """Started by hand; or the socket is gone."""
    ServiceManager({}).tell("READY=1")
    ServiceManager({"NOTIFY_SOCKET": str(tmp_path / "gone")}).tell("READY=1")


@pytest.mark.parametrize(
    ("usec", "pid", "deadline"),
    [("30000000", "", 30.0), ("30000000", str(os.getpid()), 30.0), ("30000000", "1", None), ("", "", None)],
)
def test_the_deadline_is_ours_alone(usec: str, pid: str, deadline: float | None) -> None:
    """WATCHDOG_PID names another process: its deadline is no matter of ours."""
    told = {"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": usec, "WATCHDOG_PID": pid}
    assert ServiceManager(told).deadline_s == deadline


def test_a_stage_that_rests_on_purpose_is_not_overdue() -> None:
    """A line that is away is tried again after seconds; a hung read names no such rest."""
    stage = Stage("cabin controller", 0.0)
    assert stage.overdue
    stage.moves(3600)
    assert not stage.overdue
    stage.moves(math.inf)
    assert not stage.overdue


def test_pings_come_while_all_move_and_stop_with_the_first_that_does_not(manager_end: socket.socket) -> None:
    """Ready, then pings; a stage that hangs is named once and ends them; when it moves they come again."""
    stuck, moving = threading.Event(), threading.Event()
    watch = Watch(
        ServiceManager(environment(manager_end, 400_000)), lambda name: stuck.set(), lambda name: moving.set()
    )
    good, bad = watch.stage("cabin controller"), watch.stage("sensor board")
    good.moves(math.inf)
    bad.moves(math.inf)
    watch.start()
    try:
        assert [manager_end.recv(100) for _ in range(4)] == [b"READY=1", *[b"WATCHDOG=1"] * 3]
        bad.moves(-1.0)
        assert stuck.wait(PATIENCE_S)
        manager_end.settimeout(0.4)
        assert set(iter(lambda: _next(manager_end), None)) <= {b"WATCHDOG=1"}
        manager_end.settimeout(PATIENCE_S)
        bad.moves(math.inf)
        assert moving.wait(PATIENCE_S)
        assert manager_end.recv(100) == b"WATCHDOG=1"
    finally:
        watch.stop()


def test_a_stage_that_can_be_cured_ends_no_pings(manager_end: socket.socket) -> None:
    """A hung reader gives way to another one: nobody is told, and the whole need not be started again."""
    told: list[str] = []
    watch = Watch(ServiceManager(environment(manager_end, 400_000)), told.append, told.append)
    cured = threading.Event()

    def cure() -> bool:
        stage.moves(math.inf)
        cured.set()
        return True

    stage = watch.stage("cabin controller", cure=cure)
    stage.moves(-1.0)
    watch.start()
    try:
        assert cured.wait(PATIENCE_S)
        assert [manager_end.recv(100) for _ in range(3)] == [b"READY=1", *[b"WATCHDOG=1"] * 2]
    finally:
        watch.stop()
    assert told == []


def test_who_may_take_longer_is_overdue_later() -> None:
    """Looking up a host's name takes its time where nobody answers: no reason to give a reader up."""
    watch = Watch(ServiceManager({}), lambda name: None, lambda name: None)
    patient, other = watch.stage("broker", 3600.0), watch.stage("cabin controller")
    for stage in (patient, other):
        stage.moves(-UNWATCHED_GRACE_S)
    assert other.overdue
    assert not patient.overdue


def test_a_process_that_stood_still_gives_everyone_time_to_move_again() -> None:
    """A machine that was held up for a minute has no hung readers for it."""
    cured: list[str] = []
    watch = Watch(ServiceManager({}), lambda name: None, lambda name: None)
    watch.stage("cabin controller", cure=lambda: not cured.append("once")).moves(-3600.0)
    watch._next_look = 0.0
    watch._look()
    assert cured == []
    watch._look()
    assert cured == ["once"]


def test_a_deadline_of_half_a_minute_leaves_time_for_a_restart_within_a_minute() -> None:
    """A hung stage is seen by half the deadline; the manager waits for one more; pings come at a quarter of it."""
    told = {"NOTIFY_SOCKET": "/run/x", "WATCHDOG_USEC": "30000000"}
    watch = Watch(ServiceManager(told), lambda name: None, lambda name: None)
    assert watch.grace_s + 30 < 60
    assert watch._every_s <= 30 / 2
    assert Watch(ServiceManager({}), lambda name: None, lambda name: None).grace_s == UNWATCHED_GRACE_S
