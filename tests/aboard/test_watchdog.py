"""The service manager's watchdog on a real process: it watches the data, not just the process."""

from __future__ import annotations

import os
import signal
import socket
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from .rig import PATIENCE_S, Aboard, device, heard_from_the_start, source, until

pytestmark = pytest.mark.terminal

DEADLINE_S = 6.0
HUNG = """
[[source]]
name = "history"
kind = "csv"
path = "{path}"
time = {{ field = "time", zone = "UTC" }}
[[source.channel]]
field = "volts"
channel = "bank.house.midpoint_voltage"
"""


PROBE = """
[[enclosure]]
name = "electrics"
[[source]]
name = "probe"
kind = "onewire"
folder = "{folder}"
every_s = 1
[[source.channel]]
field = "28-000005e2fdc3"
channel = "enclosure.electrics.temperature"
"""


class Manager:
    """What systemd does: names a socket and a deadline, and listens."""

    def __init__(self, path: Path) -> None:
        self.end = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.end.bind(str(path))
        self.environment = {"NOTIFY_SOCKET": str(path), "WATCHDOG_USEC": str(round(DEADLINE_S * 1e6))}

    def hears(self, within_s: float = PATIENCE_S) -> str | None:
        """The next message, or None where none comes in time."""
        self.end.settimeout(within_s)
        try:
            return self.end.recv(200).decode()
        except TimeoutError:
            return None


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    made = Manager(tmp_path / "notify")
    yield made
    made.end.close()


def test_a_reader_that_blocks_for_ever_ends_the_pings(tmp_path: Path, manager: Manager) -> None:
    """A file that is a pipe with nobody at its other end: opening it never returns, not for the next reader either.

    No stored row is lost.
    """
    os.mkfifo(tmp_path / "history.csv")
    with device(tmp_path / "cabin-controller") as cabin:
        aboard = Aboard(tmp_path, source(cabin), HUNG.format(path=tmp_path / "history.csv"))
        with aboard.recording(**manager.environment) as process:
            assert manager.hears() == "READY=1"
            heard_from_the_start(cabin)
            cabin.says(b"V=13.1,I=4.2\n")
            until(aboard.values, "a reading")
            until(lambda: manager.hears(DEADLINE_S) is None, "the end of the pings")
            # What the manager does now; until then the other sources are recorded.
            cabin.says(b"V=13.2,I=4.2\n")
            until(lambda: len(aboard.values()) == 2, "a reading beside a hung source")
            until(lambda: aboard.ask("SELECT state FROM source WHERE name = 'history'") == [("failing",)], "the state")
            process.send_signal(signal.SIGKILL)
            process.wait()
        (tmp_path / "history.csv").unlink()
        with aboard.recording(**manager.environment) as process:
            until(lambda: manager.hears() == "WATCHDOG=1", "pings of the next one")
            process.terminate()
            assert process.wait(30) == 0
    assert aboard.values() == [13.1, 13.2]
    assert aboard.events("state")[-1].startswith(("waiting", "failing", "reading"))
    assert any("its reader hangs again and again; the others go on" in text for text in aboard.events("state"))


def test_a_reader_that_hangs_gives_way_to_another_one(tmp_path: Path, manager: Manager) -> None:
    """The kernel's file of a sensor does not come back; then it does: same process, pings throughout, an event.

    What the reader that hung comes back with is older than anybody knows, and is not booked.
    """
    folder = tmp_path / "28-000005e2fdc3"
    folder.mkdir()
    stuck, sensor = folder / "stuck", folder / "w1_slave"
    os.mkfifo(sensor)
    aboard = Aboard(tmp_path, PROBE.format(folder=tmp_path))
    with aboard.recording(**manager.environment) as process:
        assert manager.hears() == "READY=1"
        until(lambda: aboard.events("state"), "the event")
        sensor.rename(stuck)
        sensor.write_text("21400\n", encoding="ascii")
        until(lambda: aboard.values("enclosure.electrics.temperature"), "a reading")
        late = os.open(stuck, os.O_RDWR)  # as its own reader, for the others may be gone before it writes
        os.write(late, b"99000\n")
        seen = len(aboard.values("enclosure.electrics.temperature"))
        until(lambda: len(aboard.values("enclosure.electrics.temperature")) > seen + 1, "readings")
        os.close(late)
        assert manager.hears(DEADLINE_S) == "WATCHDOG=1"
        assert aboard.state() == "reading"
        process.terminate()
        assert process.wait(30) == 0
    assert set(aboard.values("enclosure.electrics.temperature")) == {21.4}
    assert aboard.events("state")[0] == "failing: its reader hung and was given up; another one takes its place"
    assert aboard.ask("SELECT count(*) FROM session") == [(1,)]


def test_an_instrument_that_is_off_is_no_cause_for_a_restart(tmp_path: Path, manager: Manager) -> None:
    """One line is open and silent, one is not there: pings go on, and the store says since when."""
    with device(tmp_path / "cabin-controller") as cabin:
        gone = (
            source(cabin, name="not there")
            .replace(str(cabin.link), str(tmp_path / "nowhere"))
            .replace("house.voltage", "house.temperature")
            .replace("house.current", "house.midpoint_voltage")
        )
        aboard = Aboard(tmp_path, source(cabin, unheard=1), gone)
        with aboard.recording(**manager.environment) as process:
            assert manager.hears() == "READY=1"
            heard_from_the_start(cabin)
            cabin.says(b"V=13.1,I=4.2\n")
            said = time.time()
            query = "SELECT state FROM source WHERE name = 'cabin controller'"
            until(lambda: aboard.ask(query) == [("unheard",)], "silence")
            began = time.monotonic()
            while time.monotonic() - began < 2 * DEADLINE_S:
                assert manager.hears(DEADLINE_S) == "WATCHDOG=1"
            process.terminate()
            assert process.wait(30) == 0
        messages = iter(lambda: manager.hears(0.1), None)
        assert "STOPPING=1" in list(messages)
    ((last_seen,),) = aboard.ask("SELECT last_seen FROM source WHERE name = 'cabin controller'")
    assert abs(last_seen / 1000 - said) < 30
    assert aboard.ask("SELECT count(*) FROM session") == [(1,)]
