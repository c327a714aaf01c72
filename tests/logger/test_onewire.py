"""1-Wire thermometers in a real folder of files: what is a temperature, and what only looks like one."""

from __future__ import annotations

from pathlib import Path
from threading import Event

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.batches import EventBatch, LiveBatch
from logger.decoders.onewire import POWER_ON, SensorDecoder
from logger.decoders.registry import make
from logger.plan import ChannelPlan, SourcePlan
from logger.protocols import Batch
from logger.readings import Record, Reject
from logger.sources.onewire import SensorLine
from logger.sources.polled import PolledSource
from logger.timeline import Timeline

from .times import FakeClock

BOX, CABIN = "28-000005e2fdc3", "28-0316a2794bff"


def plan(folder: Path | str = "/nowhere", *sensors: str) -> SourcePlan:
    channels = {BOX: "enclosure.electrics.temperature", CABIN: "air.cabin.temperature"}
    return SourcePlan(
        "probes",
        "onewire",
        tuple(ChannelPlan(s, channels[s], "°C", 1.0, 0.0, -60.0, 120.0) for s in sensors or (BOX,)),
        folder=str(folder),
    )


def slave(celsius: float, sound: str = "YES", raw: str = "72 01 4b 46 7f ff 0e 10 57") -> str:
    """A ``w1_slave`` file as the kernel writes it (Linux, Documentation/w1/slaves/w1_therm.rst)."""
    return f"{raw} : crc=57 {sound}\n{raw} t={round(celsius * 1000)}\n"


def say(*values: float, sensor: str = BOX) -> list[Record | Reject]:
    decoder = SensorDecoder(plan())
    return [item for value in values for item in decoder.feed(f"{sensor}\n{slave(value).strip()}\n\n".encode())]


def values(items: list[Record | Reject]) -> list[float | str]:
    return [reading.value for item in items if isinstance(item, Record) for reading in item.readings]


def reasons(items: list[Record | Reject]) -> list[str]:
    return [item.reason for item in items if isinstance(item, Reject)]


def test_power_on_and_disconnected_among_true_readings() -> None:
    """85 between readings of 21 is the value at power-on, -127 a sensor that is gone; each with its reason."""
    items = say(21.4, 21.5, 85.0, 21.5, -127.0, 21.6)
    assert values(items) == [21.4, 21.5, 21.5, 21.6]
    assert reasons(items) == [POWER_ON, "-127 °C: the sensor is disconnected"]


def test_a_box_that_truly_reaches_85() -> None:
    """79.8, 82.6, 85.0, 86.9: all four are kept."""
    items = say(79.8, 82.6, 85.0, 86.9)
    assert values(items) == [79.8, 82.6, 85.0, 86.9]
    assert reasons(items) == []


def test_85_without_a_reading_before_it_is_power_on() -> None:
    """At the start, and after a reading that failed: then the sensor may just have got its power."""
    assert values(say(85.0, 21.5)) == [21.5]
    decoder = SensorDecoder(plan())
    for text, kept in ((slave(84.0), [84.0]), (slave(84.0, "NO"), []), (slave(85.0), []), (slave(85.0625), [85.062])):
        got = values(decoder.feed(f"{BOX}\n{text.strip()}\n\n".encode()))
        assert got == pytest.approx(kept)
    assert values(decoder.feed(f"{BOX}\n{slave(85.0).strip()}\n\n".encode())) == [85.0]


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        (slave(21.5, "NO"), "check does not match"),
        (slave(0.0, raw="00 00 00 00 00 00 00 00 00"), "all bits are 0: the data wire is shorted to ground"),
        (slave(200.0), "outside what the sensor can measure"),
        (slave(21.5).split(" t=", maxsplit=1)[0], "not a reading"),
        ("21437 m°C", "not a reading"),
    ],
)
def test_what_is_no_temperature(text: str, reason: str) -> None:
    """A failed CRC, a shorted wire, a value no sensor has, half a file."""
    items = SensorDecoder(plan()).feed(f"{BOX}\n{text.strip()}\n\n".encode())
    assert (values(items), reasons(items)) == ([], [reason])


def test_the_bare_value_is_read_too() -> None:
    """The ``temperature`` file: m°C and nothing else; below zero too."""
    decoder = SensorDecoder(plan())
    assert values(decoder.feed(f"{BOX}\n21437\n\n{BOX}\n-5062\n\n".encode())) == [21.437, -5.062]


@given(data=st.binary(max_size=3000), size=st.integers(1, 500))
def test_nothing_that_comes_is_an_exception(data: bytes, size: int) -> None:
    """Noise in any chunking is a reject."""
    decoder = SensorDecoder(plan())
    items = [item for at in range(0, len(data), size) for item in decoder.feed(data[at : at + size])]
    assert values(items + decoder.finish()) == []


class Folder:
    """Sensors as the kernel shows them."""

    def __init__(self, path: Path) -> None:
        self.path = path

    def shows(self, sensor: str, text: str, name: str = "w1_slave") -> None:
        (self.path / sensor).mkdir(parents=True, exist_ok=True)
        (self.path / sensor / name).write_text(text, encoding="ascii")

    def loses(self, sensor: str) -> None:
        for file in (self.path / sensor).iterdir():
            file.unlink()


class Watched:
    """A source run by hand: after each batch a step of the story."""

    def __init__(self, source_plan: SourcePlan, *story: object) -> None:
        self.batches: list[Batch] = []
        self.clock, self._stop, self._story = FakeClock(), Event(), iter(story)
        timeline = Timeline(self.clock, lambda t, text: None)
        PolledSource(source_plan, SensorLine, make(source_plan), self.clock, timeline).run(self._stop, self._emit)

    def _emit(self, batch: Batch) -> None:
        self.batches.append(batch)
        if (isinstance(batch, EventBatch) and batch.kind == "bus") or (isinstance(batch, LiveBatch) and batch.moments):
            step = next(self._story, None)
            if callable(step):
                step()
            else:
                self._stop.set()

    @property
    def moments(self) -> list[tuple[int, str, float | str]]:
        return [
            (t, reading.channel, reading.value)
            for batch in self.batches
            if isinstance(batch, LiveBatch)
            for t, record in batch.moments
            for reading in record.readings
        ]

    @property
    def notes(self) -> list[str]:
        return [batch.text for batch in self.batches if isinstance(batch, EventBatch) and batch.kind == "bus"]


def _go_on() -> None:
    pass


def test_every_sensor_each_round(tmp_path: Path) -> None:
    """Two sensors, each by the file that it has, every ten seconds."""
    folder = Folder(tmp_path)
    folder.shows(BOX, slave(31.5))
    folder.shows(CABIN, "21437\n", "temperature")
    watched = Watched(plan(tmp_path, BOX, CABIN), _go_on, _go_on, _go_on)
    assert [(channel, value) for _, channel, value in watched.moments] == [
        ("enclosure.electrics.temperature", 31.5),
        ("air.cabin.temperature", 21.437),
    ] * 2
    box = [t for t, channel, _ in watched.moments if channel.startswith("enclosure")]
    assert box[1] - box[0] == pytest.approx(10_000, abs=300)


def test_a_sensor_that_goes_and_comes_is_told_once_each(tmp_path: Path) -> None:
    """However often it is asked in between; the other one is read as before."""
    folder = Folder(tmp_path)
    folder.shows(BOX, slave(31.5))
    folder.shows(CABIN, slave(21.5))
    watched = Watched(
        plan(tmp_path, BOX, CABIN),
        lambda: folder.loses(BOX),
        *[_go_on] * 5,
        lambda: folder.shows(BOX, slave(30.0)),
        *[_go_on] * 3,
    )
    assert watched.notes == [
        f"sensor {BOX} cannot be read; is it connected?",
        f"sensor {BOX} answers again",
    ]
    assert sum(channel.startswith("air") for _, channel, _ in watched.moments) >= 5


def test_no_bus_at_all_is_waited_for(tmp_path: Path) -> None:
    """The folder comes when the kernel's modules do."""
    folder = Folder(tmp_path / "devices")

    class Late(FakeClock):
        def wait(self, on: object, seconds: float) -> bool:
            if self.boot_ms > 30_000:
                folder.shows(BOX, slave(21.5))
            return super().wait(on, seconds)  # type: ignore[arg-type]

    batches: list[Batch] = []
    stop, clock = Event(), Late()

    def emit(batch: Batch) -> None:
        batches.append(batch)
        if isinstance(batch, LiveBatch) and batch.moments:
            stop.set()

    source_plan = plan(folder.path)
    PolledSource(source_plan, SensorLine, make(source_plan), clock, Timeline(clock, lambda t, text: None)).run(
        stop, emit
    )
    states = [batch.text for batch in batches if isinstance(batch, EventBatch) and batch.kind == "state"]
    assert len(states) == 2
    assert states[0].startswith(f"waiting: 1-Wire: no folder {folder.path}; the kernel shows it once")
    assert states[1] == "reading: readings come in"
