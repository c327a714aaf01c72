"""Owns the way to a message broker (MQTT 3.1.1): the only place that knows paho-mqtt.

Loaded only where a source or `[publish]` needs it. No thread of its own: whoever reads waits here, and opens again when
it sees fit. What travels is in clear text, the password too: for the vessel's own network alone.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path

from paho.mqtt.client import Client, ConnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from logger.errors import LineFault, LineRefused
from logger.messages import Message

USUAL_PORT = 1883
KEEPALIVE_S = 30
ANSWER_S = 5.0
"""How long the broker may take to answer [s]."""
_SLICE_S = 0.25
_AT_LEAST_ONCE = 1


class Broker:
    """One connection, opened, used and closed in one thread.

    Parameters
    ----------
    address : str
        ``HOST`` or ``HOST:PORT``.
    password_file : str or None
        User on the first line, password on the second; read at each opening, so that it can be mended meanwhile.
    """

    def __init__(self, address: str, password_file: str | None = None) -> None:
        self._address, self._password_file = address, password_file
        self._client: Client | None = None
        self._welcome: ReasonCode | None = None
        self._granted: list[ReasonCode] | None = None
        self._messages: list[Message] = []

    def open(self) -> None:
        """Connect.

        Raises
        ------
        LineRefused
            It does not know us.
        LineFault
            It is not there, or does not answer.
        """
        client = Client(CallbackAPIVersion.VERSION2)
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        if self._password_file:
            client.username_pw_set(*_user(self._address, self._password_file))
        self._client, self._welcome, self._messages = client, None, []
        try:
            client.connect(*host_port(self._address), keepalive=KEEPALIVE_S)
        except (OSError, ValueError) as fault:
            raise LineFault(f"broker {self._address}: not there ({fault}); is it running, at this address?") from None
        self._until(lambda: self._welcome is not None)
        if self._welcome is not None and self._welcome.is_failure:
            raise LineRefused(f"broker {self._address}: refused ({self._welcome}); see password_file in the settings")

    def subscribe(self, topics: Sequence[str]) -> None:
        """Ask for what is published there from now on.

        Raises
        ------
        LineRefused
            We may not hear one of them.
        LineFault
            The connection was lost.
        """
        self._granted = None
        self._opened().subscribe([(topic, _AT_LEAST_ONCE) for topic in topics])
        self._until(lambda: self._granted is not None)
        granted: Sequence[ReasonCode] = self._granted or ()
        refused = [topic for topic, code in zip(topics, granted, strict=False) if code.is_failure]
        if refused:
            raise LineRefused(f"broker {self._address}: it does not let us hear {', '.join(refused)}")

    def messages(self, patience_s: float, most: int) -> list[Message]:
        """What has arrived; none after `patience_s` of silence [s].

        Raises
        ------
        LineFault
            The connection was lost.
        """
        lost = None if self._messages else self._turn(patience_s)
        while not lost and (before := len(self._messages)) and before < most:
            lost = self._turn(0)
            if len(self._messages) == before:
                break
        found, self._messages = self._messages, []
        if lost and not found:
            raise self._loss(lost)
        return found

    def publish(self, messages: Sequence[tuple[str, bytes]]) -> None:
        """Leave topics and payloads with the broker, retained; done when it has taken them all.

        Raises
        ------
        LineFault
            It did not.
        """
        client = self._opened()
        sent = [client.publish(topic, payload, _AT_LEAST_ONCE, retain=True) for topic, payload in messages]
        if any(one.rc != MQTTErrorCode.MQTT_ERR_SUCCESS for one in sent):
            raise self._loss(MQTTErrorCode.MQTT_ERR_CONN_LOST)
        self._until(lambda: all(one.is_published() for one in sent))

    def close(self) -> None:
        """Take leave; a connection that is gone already is no fault."""
        client, self._client = self._client, None
        if client is not None:
            client.disconnect()

    def _opened(self) -> Client:
        if self._client is None:
            raise LineFault(f"broker {self._address}: not open")
        return self._client

    def _turn(self, patience_s: float) -> MQTTErrorCode | None:
        """One turn of the connection's work; what went wrong."""
        code = self._opened().loop(patience_s)
        return None if code == MQTTErrorCode.MQTT_ERR_SUCCESS else code

    def _until(self, answered: Callable[[], bool]) -> None:
        deadline = time.monotonic() + ANSWER_S
        while not answered():
            lost = self._turn(_SLICE_S)
            if lost and not answered():
                raise self._loss(lost)
            if time.monotonic() > deadline:
                raise LineFault(f"broker {self._address}: no answer for {ANSWER_S:g} s; is that a broker?")

    def _loss(self, code: MQTTErrorCode) -> LineFault:
        return LineFault(f"broker {self._address}: the connection was lost ({code.name.removeprefix('MQTT_ERR_')})")

    # -- what the library calls, inside a turn -----------------------------------------------------------------

    def _on_connect(
        self, client: Client, data: object, flags: ConnectFlags, code: ReasonCode, properties: Properties | None
    ) -> None:
        self._welcome = code

    def _on_subscribe(
        self, client: Client, data: object, number: int, codes: list[ReasonCode], properties: Properties | None
    ) -> None:
        self._granted = codes

    def _on_message(self, client: Client, data: object, message: MQTTMessage) -> None:
        try:
            topic = message.topic
        except UnicodeDecodeError:  # no topic of ours
            return
        self._messages.append(Message(topic, bytes(message.payload), message.retain))


def host_port(address: str) -> tuple[str, int]:
    """The two parts of ``HOST``, ``HOST:PORT`` or ``[IPV6]:PORT``."""
    host, colon, port = address.rpartition(":")
    if not colon or address.endswith("]"):
        host, port = address, str(USUAL_PORT)
    return host.strip("[]"), int(port)


def _user(address: str, file: str) -> tuple[str, str | None]:
    try:
        user, *password = Path(file).read_text(encoding="utf-8").splitlines()
    except (OSError, ValueError) as fault:
        raise LineRefused(
            f"broker {address}: password_file {file} cannot be used ({getattr(fault, 'strerror', None) or 'empty'}); "
            "it holds the user on its first line and the password on the second"
        ) from None
    return user, password[0] if password else None
