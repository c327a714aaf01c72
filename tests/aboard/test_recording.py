"""``noonmark record`` as a person starts it: a real process on a real pseudo-terminal."""

from __future__ import annotations

import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest

from logger.capture import pieces

from .rig import SOURCE, Aboard, Device, claimed, device, heard_from_the_start, source, until

pytestmark = pytest.mark.terminal


@pytest.fixture
def cabin(tmp_path: Path) -> Iterator[Device]:
    with device(tmp_path / "cabin-controller") as made:
        yield made


@pytest.mark.parametrize("stop", [signal.SIGTERM, signal.SIGINT])
def test_what_is_sent_is_in_the_store_after_a_clean_stop(tmp_path: Path, cabin: Device, stop: signal.Signals) -> None:
    """Either signal: exit status 0, every reading kept in order, the session marked as stopped cleanly."""
    aboard = Aboard(tmp_path, source(cabin), flush=600)
    with aboard.recording() as process:
        heard_from_the_start(cabin)
        for n in range(200):
            until(lambda n=n: cabin.says(b"V=%d.5,I=-%d\r\n" % (n, n)))
        # The flush interval is ten minutes: only the clean stop can have written these.
        assert aboard.values() == []
        process.send_signal(stop)
        assert process.wait(30) == 0
    assert aboard.values() == [n + 0.5 for n in range(200)]
    assert aboard.values("bank.house.current") == [-n for n in range(200)]
    assert aboard.ask("SELECT stopped_cleanly FROM session") == [(1,)]
    assert aboard.ask("SELECT text FROM settings") == [(aboard.settings.read_text(encoding="utf-8"),)]
    times = [t for (t,) in aboard.ask("SELECT DISTINCT t FROM sample ORDER BY t")]
    assert len(times) == 200
    assert abs(times[-1] / 1000 - time.time()) < 60
    # Above 150 V no bank can be: kept, and marked.
    assert aboard.ask("SELECT count(*), min(reason) FROM mark") == [(50, "out of range")]


def test_a_signal_during_the_start_stops_cleanly(tmp_path: Path, cabin: Device) -> None:
    """From the moment at which the process becomes the logger no signal is lost and none kills."""
    aboard = Aboard(tmp_path, source(cabin))
    with aboard.recording() as process:
        until(lambda: b"--plan-fd" in Path(f"/proc/{process.pid}/cmdline").read_bytes(), "exec")
        process.terminate()
        process.terminate()
        assert process.wait(30) == 0
    assert aboard.ask("SELECT stopped_cleanly FROM session") == [(1,)]


def test_a_line_that_vanishes_and_returns_under_another_number(tmp_path: Path, cabin: Device) -> None:
    """One gap of the true length; no value in it; reading again soon; one message a change; no work."""
    aboard = Aboard(tmp_path, source(cabin, unheard=2))
    with aboard.recording() as process:
        heard_from_the_start(cabin)
        cabin.says(b"V=13.1,I=4.2\nV=13.2,I=4.2\n")
        until(lambda: aboard.values() == [13.1, 13.2], "readings")
        cabin.unplug()
        gone = time.monotonic()
        until(lambda: aboard.state() == "waiting", "the loss")
        before = _cpu_s(process)
        until(lambda: time.monotonic() - gone > 3)
        spent = _cpu_s(process) - before
        cabin.plug()
        until(lambda: claimed(cabin), "opening again")
        away = time.monotonic() - gone
        cabin.says(b"\nV=13.3,I=4.2\n")
        until(lambda: len(aboard.values()) == 3, "reading again")
        process.terminate()
        assert process.wait(30) == 0
    assert spent < 0.05 * 3
    assert aboard.values() == [13.1, 13.2, 13.3]
    (gap,) = aboard.events("gap")
    assert float(gap.split()[0]) == pytest.approx(away, abs=1)
    assert away < 3 + 10
    assert [text.partition(":")[0] for text in aboard.events("state")] == ["reading", "waiting", "reading"]
    assert sum("cabin controller" in row for row in aboard.messages()) == 3


def _cpu_s(process: subprocess.Popen[bytes]) -> float:
    fields = Path(f"/proc/{process.pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def test_a_board_that_restarts_on_opening(tmp_path: Path, cabin: Device) -> None:
    """Noise at another speed, a boot message, one reading, half a line, then the line closes."""
    aboard = Aboard(tmp_path, source(cabin))
    with aboard.recording() as process:
        until(lambda: claimed(cabin), "opening")
        cabin.says(b"\xff\xfe\x80,12.9\r\nboot v1.2\r\nV=13.1,I=4.2\r\nV=13.1,I=")
        until(aboard.values, "the reading")
        cabin.unplug()
        until(lambda: aboard.state() == "waiting", "the loss")
        process.terminate()
        assert process.wait(30) == 0
    assert aboard.values() == [13.1]
    assert aboard.values("bank.house.current") == [4.2]
    assert aboard.reasons() == ["undecodable", "not a reading", "incomplete"]
    assert aboard.ask("SELECT readings, rejects FROM source") == [(2, 3)]


def test_carriage_return_is_the_only_line_end(tmp_path: Path, cabin: Device) -> None:
    """Each reading is taken with its CR, not with the next line; CRLF makes no empty records; no end is cut once."""
    aboard = Aboard(tmp_path, source(cabin))
    with aboard.recording() as process:
        heard_from_the_start(cabin)
        sent = []
        for n, line in enumerate(
            [b"V=13.1,I=1\r", b"V=13.2,I=1\r", b"V=13.3,I=1\r", b"V=13.4,I=1\r\n", b"V=13.5,I=1\r\n"]
        ):
            sent.append(time.time())
            cabin.says(line)
            until(lambda n=n: len(aboard.values()) == n + 1, "a reading with its CR")
        for _ in range(6):
            until(lambda: cabin.says(b"x" * 1024))
        until(lambda: "longer than 4096 bytes" in aboard.reasons(), "the cut")
        cabin.says(b"\rV=13.6,I=1\r")
        until(lambda: len(aboard.values()) == 6, "reading after the cut")
        process.terminate()
        assert process.wait(30) == 0
    times = [t / 1000 for (t,) in aboard.ask("SELECT DISTINCT t FROM sample ORDER BY t")]
    assert all(0 <= kept - at + 0.002 <= 1.5 for at, kept in zip(sent, times, strict=False))
    assert aboard.values() == [13.1, 13.2, 13.3, 13.4, 13.5, 13.6]
    assert aboard.reasons() == ["longer than 4096 bytes"]


def test_two_programs_on_one_line(tmp_path: Path, cabin: Device) -> None:
    """Refused with who holds it; reading once that lets go; bytes that another took do not become values."""
    aboard = Aboard(tmp_path, source(cabin))
    near = os.open(cabin.link, os.O_RDONLY | os.O_NOCTTY)
    with subprocess.Popen(["sleep", "600"], stdin=near) as other:
        os.close(near)
        try:
            with aboard.recording() as process:
                until(lambda: aboard.events("state"), "a refusal")
                other.kill()
                other.wait()
                heard_from_the_start(cabin)
                cabin.says(b"V=1.,I=42\nAT\r\nV=13.1,I=4.2\n")
                until(aboard.values, "a reading")
                process.terminate()
                assert process.wait(30) == 0
        finally:
            other.kill()
    assert aboard.values() == [13.1]
    assert aboard.values("bank.house.current") == [4.2]
    assert aboard.reasons() == ["field V is a damaged number", "not a reading"]
    first = aboard.events("state")[0]
    assert re.fullmatch(
        rf"waiting: serial line {cabin.link}: another program holds it \(sleep, pid {other.pid}\); close that program",
        first,
    )


def test_a_second_logger_on_one_store_is_refused(tmp_path: Path, cabin: Device) -> None:
    """It says so and leaves with 1; the first one goes on."""
    aboard = Aboard(tmp_path, source(cabin))
    with aboard.recording() as first:
        until(lambda: claimed(cabin), "opening")
        with aboard.recording() as second:
            assert second.wait(30) == 1
        assert any("another logger records into it" in row for row in aboard.messages())
        first.terminate()
        assert first.wait(30) == 0


def test_another_writer_holds_the_store(tmp_path: Path, cabin: Device) -> None:
    """An import may hold it for a while: nothing is lost, nobody dies."""
    aboard = Aboard(tmp_path, source(cabin))
    with aboard.recording() as process:
        heard_from_the_start(cabin)
        cabin.says(b"V=1,I=1\n")
        until(aboard.values, "a reading")
        with closing(sqlite3.connect(aboard.store, isolation_level=None)) as other:
            other.execute("BEGIN IMMEDIATE")
            for n in range(2, 30):
                until(lambda n=n: cabin.says(b"V=%d,I=1\n" % n))
            assert len(aboard.values()) < 29
            other.execute("ROLLBACK")
        until(lambda: len(aboard.values()) == 29, "all of it")
        process.terminate()
        assert process.wait(30) == 0
    assert aboard.values() == list(range(1, 30))


def test_three_lines_at_once_keep_apart(tmp_path: Path) -> None:
    """A thread for each; one that is not there holds up no other."""
    with device(tmp_path / "a") as a, device(tmp_path / "b") as b:
        lost = (
            source(a, "not there")
            .replace(str(a.link), str(tmp_path / "nowhere"))
            .replace("house.voltage", "house.temperature")
        )
        other = (
            source(b, "sensor board")
            .replace("bank.house.voltage", "air.cabin.temperature")
            .replace("bank.house.current", "air.cabin.humidity")
        )
        aboard = Aboard(tmp_path, source(a), other, lost.replace("bank.house.current", "bank.house.midpoint_voltage"))
        with aboard.recording() as process:
            heard_from_the_start(a)
            heard_from_the_start(b)
            for n in range(20):
                a.says(b"V=%d,I=1\n" % n)
                b.says(b"V=%d,I=50\n" % (n - 20))
            until(lambda: len(aboard.values("air.cabin.temperature")) == 20, "one line")
            until(lambda: len(aboard.values()) == 20, "the other")
            process.terminate()
            assert process.wait(30) == 0
    assert aboard.values() == list(range(20))
    assert aboard.values("air.cabin.temperature") == [n - 20 for n in range(20)]
    assert aboard.ask("SELECT name, readings FROM source ORDER BY name") == [
        ("cabin controller", 40),
        ("not there", 0),
        ("sensor board", 40),
    ]


@pytest.mark.parametrize("locale", ["C", "POSIX"])
def test_any_locale_will_do(tmp_path: Path, cabin: Device, locale: str) -> None:
    """Names beyond ASCII in the settings, a bare locale: recorded and said all the same."""
    aboard = Aboard(tmp_path, source(cabin, name="Kabinenregler süd"))
    with aboard.recording(LC_ALL=locale, LANG=locale) as process:
        heard_from_the_start(cabin)
        cabin.says(b"V=13.1,I=4.2\n")
        until(aboard.values, "a reading")
        process.terminate()
        assert process.wait(30) == 0
    assert aboard.ask("SELECT name FROM source") == [("Kabinenregler süd",)]
    assert any("Kabinenregler süd: reading" in row for row in aboard.messages())


@pytest.mark.parametrize(
    ("settings", "status", "message"),
    [
        (None, 2, "there is no such file"),
        ("[site]\n", 2, "required"),
        ('[store]\npath = "x.db"\n', 2, "required"),
    ],
)
def test_faults_in_the_settings_stop_it_at_the_start(
    tmp_path: Path, settings: str | None, status: int, message: str
) -> None:
    """Before anything is opened or made."""
    aboard = Aboard(tmp_path)
    if settings is None:
        aboard.settings.unlink()
    else:
        aboard.settings.write_text(settings, encoding="utf-8")
    with aboard.recording() as process:
        assert process.wait(30) == status
    assert message in "\n".join(aboard.messages())
    assert not aboard.store.exists()


def test_without_a_source_there_is_nothing_to_record(tmp_path: Path) -> None:
    """It says what to do."""
    aboard = Aboard(tmp_path)
    with aboard.recording() as process:
        assert process.wait(30) == 2
    assert "no [[source]] to record; 'noonmark listen' proposes one" in "\n".join(aboard.messages())


def test_a_store_that_cannot_be_made_is_said(tmp_path: Path, cabin: Device) -> None:
    """The child that prepares it says why, and the command leaves with its status."""
    aboard = Aboard(tmp_path, source(cabin))
    (tmp_path / "lapwing.db").mkdir()
    with aboard.recording() as process:
        assert process.wait(30) == 1
    assert "lapwing.db: cannot be opened" in "\n".join(aboard.messages())


def test_a_capture_of_raw_bytes_replays(tmp_path: Path, cabin: Device) -> None:
    """``record --capture``: what came in, also after kill -9; replayed it comes to the same readings."""
    aboard = Aboard(tmp_path, source(cabin))
    capture = tmp_path / "trouble.capture"
    with aboard.recording(capture=capture) as process:
        heard_from_the_start(cabin)
        cabin.says(b"boot\r\nV=13.1,I=4.2\r\n\xff\xfe\r\nV=13.2,I=4.2\r\n")
        until(lambda: len(aboard.values()) == 2, "readings")
        process.kill()
        process.wait()
    heard = b"".join(piece.data for piece in pieces(capture))
    assert heard == b"\nboot\r\nV=13.1,I=4.2\r\n\xff\xfe\r\nV=13.2,I=4.2\r\n"
    again = Aboard(tmp_path, SOURCE.format(name="cabin controller", port=f"replay:{capture}?pace=0", unheard=60))
    for part in ("", "-wal", "-shm"):
        aboard.store.with_name(aboard.store.name + part).unlink(missing_ok=True)
    with again.recording() as process:
        until(lambda: len(again.values()) == 2, "the same readings")
        process.terminate()
        assert process.wait(30) == 0
    assert again.values() == [13.1, 13.2]
    assert again.reasons() == ["not a reading", "undecodable"]


def test_a_time_typed_while_it_records(tmp_path: Path, cabin: Device) -> None:
    """Twenty minutes off: the readings move and none is lost; what comes after lies behind them."""
    aboard = Aboard(tmp_path, source(cabin))
    with aboard.recording() as process:
        heard_from_the_start(cabin)
        cabin.says(b"V=1,I=1\nV=2,I=1\n")
        until(lambda: len(aboard.values()) == 2, "readings")
        if aboard.ask("SELECT clock FROM session") == [("kernel",)]:
            pytest.skip("this machine's clock is synchronised: nobody needs a person's word")
        typed = time.time() - 1200
        words = time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime(typed))
        command = [sys.executable, "-m", "dashboard", "clock", words, "--settings", str(aboard.settings)]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=True)
        assert "the logger is at work and takes it over" in done.stderr
        cabin.says(b"V=3,I=1\n")
        until(lambda: aboard.ask("SELECT clock FROM session") == [("person",)], "the move")
        cabin.says(b"V=4,I=1\n")
        until(lambda: len(aboard.values()) == 4, "a reading after it")
        process.terminate()
        assert process.wait(30) == 0
    assert aboard.values() == [1, 2, 3, 4]
    times = [t / 1000 for (t,) in aboard.ask("SELECT DISTINCT t FROM sample ORDER BY t")]
    assert all(typed - 40 < t < typed + 60 for t in times)
    assert aboard.ask("SELECT count(*) FROM mark WHERE reason = 'time restored'")[0][0] >= 4
