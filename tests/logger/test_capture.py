"""A capture keeps every byte with its time, survives being cut, and says the same again."""

from __future__ import annotations

import os
import tempfile
import threading
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.capture import Capture, CapturedLine, Piece, decoded, pieces
from logger.collector import LiveSource
from logger.decoders.registry import make
from logger.errors import CaptureFault, LineFault
from logger.protocols import Batch
from logger.readings import Reading, Record, Reject
from logger.sources.replay import ReplayedLine
from logger.timeline import Timeline

from .plans import channel, source
from .times import FakeClock

PLAN = source(channel("V"), format="keyvalue")
READ = Record((Reading("bank.house.voltage", 13.1),))


class Said:
    """A line that says what it was given, then is lost."""

    def __init__(self, *data: bytes) -> None:
        self._data = list(data)

    def open(self) -> None: ...

    def read(self) -> bytes:
        if not self._data:
            raise LineFault("lost")
        return self._data.pop(0)

    def close(self) -> None: ...


def capture_of(path: Path, clock: FakeClock, *said: bytes, name: str = "cabin controller") -> None:
    with closing(Capture(path, clock.now_ms)) as capture:
        line = CapturedLine(Said(*said), capture, name)
        line.open()
        for _ in said:
            line.read()
            clock.move(1)
        line.close()
        line.close()


@given(st.lists(st.binary(min_size=1, max_size=40), max_size=10))
def test_every_byte_comes_back(said: list[bytes]) -> None:
    """Whatever the bytes, with the time of each read, and where the line was opened and lost."""
    with tempfile.TemporaryDirectory() as folder:
        path, clock = Path(folder) / "trouble.capture", FakeClock()
        begun = clock.wall_ms
        capture_of(path, clock, *said)
        assert list(pieces(path)) == [
            Piece(begun, "cabin controller", b"", "opened"),
            *(Piece(begun + 1000 * n, "cabin controller", data) for n, data in enumerate(said)),
            Piece(begun + 1000 * len(said), "cabin controller", b"", "lost"),
        ]


def test_a_cut_capture_is_gone_on_with(tmp_path: Path) -> None:
    """A power cut in mid-line costs that line alone; the next session appends."""
    path, clock = tmp_path / "trouble.capture", FakeClock()
    capture_of(path, clock, b"V=13.1\n", b"V=13.2\n")
    os.truncate(path, path.stat().st_size - 100)
    capture_of(path, clock, b"V=13.3\n")
    assert [piece.data for piece in pieces(path) if piece.data] == [b"V=13.1\n", b"V=13.3\n"]


def test_streams_are_told_apart(tmp_path: Path) -> None:
    """One file, one stream a source."""
    path, clock = tmp_path / "trouble.capture", FakeClock()
    capture_of(path, clock, b"V=13.1\n")
    capture_of(path, clock, b"V=99\n", name="other")
    assert [piece.data for piece in pieces(path, "other") if piece.data] == [b"V=99\n"]
    assert {piece.source for piece in pieces(path)} == {"cabin controller", "other"}


def test_what_is_no_capture_is_told(tmp_path: Path) -> None:
    """A missing file, another file, a folder without rights."""
    with pytest.raises(CaptureFault, match="cannot be read"):
        list(pieces(tmp_path / "none"))
    (tmp_path / "notes").write_text("V=13.1\n", encoding="utf-8")
    with pytest.raises(CaptureFault, match="no capture; 'noonmark record --capture FILE' writes one"):
        list(pieces(tmp_path / "notes"))
    with pytest.raises(CaptureFault, match="cannot be written"):
        Capture(tmp_path / "none" / "capture", FakeClock().now_ms)


def test_nonsense_in_a_capture_is_passed_over(tmp_path: Path) -> None:
    """Lines of other shapes, broken base64."""
    path, clock = tmp_path / "trouble.capture", FakeClock()
    capture_of(path, clock, b"V=13.1\n")
    with path.open("ab") as file:
        file.write(
            b'7\n[]\n{"t": "x"}\n{"t": 1, "source": "s", "data": "a"}\n\xff\n{"t": 1, "source": "s", "data": 1}\n'
        )
    assert [piece.data for piece in pieces(path) if piece.data] == [b"V=13.1\n"]


def test_a_capture_that_can_be_written_no_more_stops_alone(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """The disk is full: recording matters more; told once."""
    capture = Capture(tmp_path / "x", FakeClock().now_ms)
    full = os.open("/dev/full", os.O_WRONLY)
    os.dup2(full, capture._file)
    os.close(full)
    line = CapturedLine(Said(b"V=13.1\n"), capture, "cabin controller")
    line.open()
    assert line.read() == b"V=13.1\n"
    capture.close()
    assert [record.getMessage().partition("(")[0] for record in caplog.records] == [
        f"capture {tmp_path / 'x'} ends here "
    ]


def test_a_capture_means_what_the_line_meant(tmp_path: Path) -> None:
    """Through the same decoder: the half line at each opening distrusted, the half line at each loss a reject."""
    path, clock = tmp_path / "trouble.capture", FakeClock()
    for _ in range(2):
        capture_of(path, clock, b"13.0\nV=13.1\nV=1", b"3.1\nV=13")
    once = [Reject(b"13.0", "first line after opening"), READ, READ, Reject(b"V=13", "incomplete")]
    assert [item for _, item in decoded(pieces(path), make(PLAN))] == once * 2


@pytest.mark.parametrize(("pace", "passed"), [("", 1), ("?pace=10", 0.1), ("?pace=0", 0)])
def test_a_replay_keeps_the_pace_that_is_asked_for(tmp_path: Path, pace: str, passed: float) -> None:
    """As it was, faster, as fast as it is taken."""
    path, clock = tmp_path / "trouble.capture", FakeClock()
    capture_of(path, clock, b"V=13.1\n", b"V=13.2\n")
    line = ReplayedLine(source(channel("V"), port=f"replay:{path}{pace}"), clock)
    line.open()
    data = line.read()
    begun = clock.boot_ms
    while not data.endswith(b"V=13.2\n"):
        data += line.read()
    assert (clock.boot_ms - begun) / 1000 == pytest.approx(passed, abs=0.01)
    with pytest.raises(LineFault, match="the line was lost here"):
        line.read()
    with pytest.raises(LineFault, match="at its end"):
        line.open()


@pytest.mark.parametrize(
    ("port", "said"),
    [("replay:/none", "cannot be read"), ("replay:{}?pace=fast", r"pace=fast is no number; for instance \?pace=60")],
)
def test_a_replay_that_cannot_be_is_told(tmp_path: Path, port: str, said: str) -> None:
    """No such capture, no such pace."""
    capture_of(tmp_path / "x", FakeClock(), b"V=13.1\n")
    line = ReplayedLine(source(channel("V"), port=port.format(tmp_path / "x")), FakeClock())
    with pytest.raises(LineFault, match=said):
        line.open()


def test_a_live_source_takes_a_capture_for_its_line(tmp_path: Path) -> None:
    """Losses in it are losses, readings are readings."""
    path, clock, stop = tmp_path / "trouble.capture", FakeClock(), threading.Event()
    capture_of(path, clock, b"\nV=13.1\n")
    capture_of(path, clock, b"\nV=13.1\n")
    plan = source(channel("V"), format="keyvalue", port=f"replay:{path}?pace=0")
    batches: list[Batch] = []

    def emit(batch: Batch) -> None:
        batches.append(batch)
        if sum(len(getattr(one, "moments", ())) for one in batches) == 2:
            stop.set()

    timeline = Timeline(clock, lambda t, text: None)
    LiveSource(plan, ReplayedLine(plan, clock), make(plan), clock, timeline).run(stop, emit)
    assert [record for batch in batches for _, record in getattr(batch, "moments", ())] == [READ, READ]
