"""Owns instruments that say numbered messages to a logger and are unplugged now and then, and the books they keep."""

from __future__ import annotations

import random
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import paho.mqtt.client as mqtt

from .broker import RealBroker
from .numbered_units import NumberedUnits
from .rig import Device, claimed

AWAY_S = 12.0
Make = Callable[[int, random.Random], bytes]


@dataclass
class Book:
    """What one instrument has said.

    Attributes
    ----------
    channel : str
        Of the running number that every message carries.
    readings : int
        In each message, the number included.
    said : set of int
        Numbers of the messages that went out to an open line.
    doubtful : set of int
        Numbers of those that may have been on the wire when the plug was pulled.
    """

    channel: str
    readings: int
    number: int = 0
    said: set[int] = field(default_factory=set)
    doubtful: set[int] = field(default_factory=set)


@dataclass(frozen=True)
class Habit:
    """How talkers spend their time.

    Attributes
    ----------
    stop : threading.Event
        Ends it.
    plugged_s : float
        For how long a plug stays in, on average [s].
    pace : float
        Messages a second; a plug is out for so much the shorter.
    """

    stop: threading.Event
    plugged_s: float
    pace: float = 1.0


class Talker(threading.Thread):
    """One plug and what hangs on it: numbered messages at an even pace, unplugged at random, plugged in again.

    Parameters
    ----------
    books : list of Book
    habit : Habit
    seed : int
    """

    def __init__(self, books: list[Book], habit: Habit, seed: int) -> None:
        super().__init__(name=f"talker {books[0].channel}")
        self.books = books
        self.rng = random.Random(seed)
        self.stopping = habit.stop
        self.unplugged = 0
        self._habit = habit

    def run(self) -> None:
        try:
            self._come_and_go()
        finally:
            self.leave()

    def _come_and_go(self) -> None:
        while not self.stopping.is_set():
            if not self._until(self.heard):
                return
            self._talk(self.rng.expovariate(1 / self._habit.plugged_s))
            for book in self.books:
                book.doubtful.add(book.number)
            if not self.stopping.is_set():
                self.unplug()
                self.unplugged += 1
                self.stopping.wait(self.rng.uniform(0.2, 2 * AWAY_S / self._habit.pace))
                self.plug()

    def _until(self, condition: Callable[[], bool]) -> bool:
        while not condition():
            if self.stopping.wait(0.1):
                return False
        return True

    def _talk(self, seconds: float) -> None:
        began, turns = time.monotonic(), 0
        while time.monotonic() - began < seconds and not self.stopping.is_set():
            self.say()
            turns += 1
            self.stopping.wait(max(0.0, began + turns / self._habit.pace - time.monotonic()))

    def heard(self) -> bool:
        """Whether a logger has claimed the line."""
        raise NotImplementedError

    def say(self) -> None:
        raise NotImplementedError

    def unplug(self) -> None:
        raise NotImplementedError

    def plug(self) -> None:
        raise NotImplementedError

    def leave(self) -> None:
        """Close what it opened itself."""


class OnLine(Talker):
    """A device on a pseudo-terminal that comes back under another number."""

    def __init__(self, made: Device, make: Make, book: Book, habit: Habit, seed: int) -> None:
        super().__init__([book], habit, seed)
        self._device, self._make = made, make

    def heard(self) -> bool:
        if not claimed(self._device):
            return False
        # A logger distrusts the line on whose middle it may have come in.
        self._device.says(b"\n")
        return True

    def say(self) -> None:
        (book,) = self.books
        book.number += 1
        if self._device.says(self._make(book.number, self.rng)):
            book.said.add(book.number)

    def unplug(self) -> None:
        self._device.unplug()

    def plug(self) -> None:
        self._device.plug()


class OnTopics(Talker):
    """A device that publishes to a broker which stops and starts."""

    def __init__(self, broker: RealBroker, topic: str, make: Make, book: Book, habit: Habit, seed: int) -> None:
        super().__init__([book], habit, seed)
        self._broker, self._topic, self._make = broker, topic, make
        self._granted = 0
        self._client: mqtt.Client | None = None

    def heard(self) -> bool:
        if self._broker.subscriptions() <= self._granted:
            return False
        self._client = mqtt.Client(mqtt.CallbackAPIVersion.VERSION2)
        self._client.connect("127.0.0.1", self._broker.port)
        self._client.loop_start()
        return True

    def say(self) -> None:
        (book,) = self.books
        assert self._client is not None
        book.number += 1
        told = self._client.publish(self._topic, self._make(book.number, self.rng), qos=1)
        told.wait_for_publish(10)
        if told.is_published():
            book.said.add(book.number)

    def unplug(self) -> None:
        self.leave()
        self._broker.stop()
        self._granted = self._broker.subscriptions()

    def plug(self) -> None:
        self._broker.start()

    def leave(self) -> None:
        if self._client is not None:
            self._client.disconnect()
            self._client.loop_stop()
            self._client = None


class OnBus(Talker):
    """Units on a Modbus over TCP that number their answers; the process that they are is killed and starts again."""

    def __init__(self, units: NumberedUnits, books: list[Book], habit: Habit, seed: int) -> None:
        super().__init__(books, habit, seed)
        self._units = units
        units.start()

    def heard(self) -> bool:
        """Once it has been asked more than before."""
        return all(number > book.number for number, book in zip(self._units.numbers(), self.books, strict=True))

    def say(self) -> None:
        """It speaks when it is asked."""

    def unplug(self) -> None:
        self.leave()

    def plug(self) -> None:
        self._units.start()

    def leave(self) -> None:
        self._units.kill()
        for number, book in zip(self._units.numbers(), self.books, strict=True):
            book.said.update(range(book.number + 1, number + 1))
            book.number = number
            book.doubtful.add(number)
