"""Owns a real message broker for tests: Debian's, on loopback, at a port and with settings of its own."""

from __future__ import annotations

import shutil
import socket
import subprocess
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from paho.mqtt.publish import single

from logger.broker import Broker
from logger.messages import Message

from .rig import until

SETTINGS = """
listener {port} 127.0.0.1
{access}
persistence false
user root
log_dest file {log}
log_type all
"""


def free_port() -> int:
    """Of the loopback, for who must come back at the same one."""
    with closing(socket.socket()) as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class RealBroker:
    """Starts, ends and starts again at the same port.

    Parameters
    ----------
    folder : Path
        For its settings, its log and its passwords.
    password : str or None
        Of the user ``barge``; None lets everyone in.
    """

    def __init__(self, folder: Path, password: str | None = None) -> None:
        found = shutil.which("mosquitto") or shutil.which("mosquitto", path="/usr/sbin")
        assert found, "mosquitto is not here; on Debian: apt-get install mosquitto"
        self._program, self._password = found, password
        self._log, self._settings = folder / "broker.log", folder / "broker.conf"
        self.port = free_port()
        access = "allow_anonymous true"
        if password is not None:
            file = folder / "passwords"
            file.touch(mode=0o600)
            tool = shutil.which("mosquitto_passwd") or "/usr/bin/mosquitto_passwd"
            subprocess.run([tool, "-b", str(file), "barge", password], check=True, capture_output=True)
            access = f"allow_anonymous false\npassword_file {file}"
        self._settings.write_text(SETTINGS.format(port=self.port, access=access, log=self._log), encoding="utf-8")
        self._process: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        return f"127.0.0.1:{self.port}"

    def start(self) -> None:
        self._process = subprocess.Popen(
            [self._program, "-c", str(self._settings)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        until(self._answers, "the broker's start")

    def _answers(self) -> bool:
        try:
            socket.create_connection(("127.0.0.1", self.port), 1).close()
        except OSError:
            return False
        return True

    def stop(self) -> None:
        if self._process is not None:
            self._process.terminate()
            self._process.wait(30)
            self._process = None

    def subscriptions(self) -> int:
        """How many have been granted since it first started."""
        return self._log.read_text(encoding="utf-8").count("Sending SUBACK")

    def subscribed(self, times: int = 1) -> None:
        """Wait until so many subscriptions have been granted since it first started."""
        until(lambda: self.subscriptions() >= times, "a subscription")

    def say(self, topic: str, payload: str | bytes, retain: bool = False) -> None:
        """Some device publishes."""
        auth = None if self._password is None else {"username": "barge", "password": self._password}
        single(topic, payload, qos=1, retain=retain, hostname="127.0.0.1", port=self.port, auth=auth)

    def hear(self, topic: str, enough: Callable[[list[Message]], bool]) -> list[Message]:
        """Listen until that is enough."""
        with closing(Broker(self.address)) as broker:
            broker.open()
            broker.subscribe([topic])
            heard: list[Message] = []

            def listen() -> bool:
                heard.extend(broker.messages(0.1, 1000))
                return enough(heard)

            until(listen, f"what is published at {topic}")
            return heard


@contextmanager
def real_broker(folder: Path, password: str | None = None) -> Iterator[RealBroker]:
    broker = RealBroker(folder, password)
    broker.start()
    try:
        yield broker
    finally:
        broker.stop()
