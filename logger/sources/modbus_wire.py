"""Owns asking one question on a Modbus and telling its answer from all else on the wire; pymodbus frames both.

A question is never sent into what is still arriving. On a serial line what came late, what another unit says, noise and
the adapter's repetition of the question are passed over: an answer has the unit, the function, the length and the CRC
that were asked for. Two answers of one unit can still look alike; one that did not answer is therefore left alone for
a while before it is asked anew. Over TCP the transaction id says which question is answered.
"""

from __future__ import annotations

import logging
import socket
import time
from dataclasses import dataclass
from typing import Protocol

from pymodbus.framer import FramerRTU, FramerSocket
from pymodbus.pdu import DecodePDU
from pymodbus.pdu.register_message import ReadHoldingRegistersRequest, ReadInputRegistersRequest

from logger.errors import LineFault
from logger.exchange import MOST_BYTES, QUESTION_BYTES, Question, packed
from logger.plan import SourcePlan
from logger.sources.serial_line import SerialLine

QUIET_S = 0.02
"""Silence that at least ends what is arriving: adapters on USB hold bytes back for up to 16 ms; common practice, no
source. On a slow line it is `silence_s`."""
LATE_TIMES = 3.0
"""Time-outs for which a unit that did not answer is left alone: its answer may still be on its way."""
CONNECT_S = 5.0
SILENT_BEFORE_NEW = 3
"""Questions without a byte in return after which a connection is taken for dead."""

_REQUESTS = {3: ReadHoldingRegistersRequest, 4: ReadInputRegistersRequest}
_BITS_A_CHARACTER = 11
_FAST_BAUD = 19200
_ANSWER_FRAME = 5  # node, function, length, CRC

# It writes a line for every frame that is not the one it waits for; the store tells it better.
logging.getLogger("pymodbus").setLevel(logging.CRITICAL)


@dataclass(frozen=True, slots=True)
class Answer:
    """What came of a question.

    Attributes
    ----------
    exchange : bytes
        For the decoder; empty where nothing came.
    sound : bool
        Whether it is an answer to this question, be it an exception.
    exception : int
        Its code, 0 where registers came.
    late : tuple of int
        Nodes whose answer to an earlier question came now.
    """

    exchange: bytes = b""
    sound: bool = False
    exception: int = 0
    late: tuple[int, ...] = ()


class Wire(Protocol):
    """Where questions go. Every fault is a `LineFault`."""

    def open(self) -> None: ...

    def ask(self, question: Question) -> Answer:
        """Ask, and wait for the answer at most the plan's time-out."""
        ...

    def close(self) -> None: ...


def wire(plan: SourcePlan) -> Wire:
    """The wire of a plan: TCP where it names a host, else a serial line."""
    return TcpWire(plan) if plan.host else SerialWire(plan)


_RTU = FramerRTU(DecodePDU(False))
_TCP = FramerSocket(DecodePDU(False))


def _request(question: Question, transaction: int = 0) -> ReadHoldingRegistersRequest:
    return _REQUESTS[question.function](
        dev_id=question.node, transaction_id=transaction, address=question.address, count=question.count
    )


def frame(question: Question) -> bytes:
    """The question as it goes out on a serial line, CRC and all."""
    made: bytes = _RTU.buildFrame(_request(question))
    return made


def _answered(question: Question, asked: bytes, answer: bytes, late: tuple[int, ...] = ()) -> Answer:
    return Answer(packed(asked, answer), True, answer[2] if answer[1] & 0x80 else 0, late)


def silence_s(baud: int) -> float:
    """The silence that parts two frames [s]: 3.5 characters of 11 bits; from 19200 baud on always as long.

    MODBUS over Serial Line V1.02, 2.5.1.1.
    """
    return 0.00175 if baud > _FAST_BAUD else 3.5 * _BITS_A_CHARACTER / baud


class SerialWire:
    """Modbus RTU on a serial line.

    Parameters
    ----------
    plan : SourcePlan
        Port, speed, parity, time-out, echo.
    """

    def __init__(self, plan: SourcePlan) -> None:
        self._line = SerialLine(plan, patience_s=max(QUIET_S, silence_s(plan.baud)))
        self._timeout_s, self._echo = plan.timeout_s, plan.echo
        self._character_s = _BITS_A_CHARACTER / plan.baud
        self._late: dict[int, float] = {}
        self._opened = 0.0

    def open(self) -> None:
        self._line.open()
        self._late.clear()
        # Whoever asked before us may still be answered.
        self._opened = time.monotonic() + self._timeout_s

    def close(self) -> None:
        self._line.close()

    def ask(self, question: Question) -> Answer:
        late = self._spoke_late(self._hush(self._late.get(question.node, self._opened)))
        self._late.pop(question.node, None)
        asked = frame(question)
        self._line.write(asked)
        size = _ANSWER_FRAME + 2 * question.count
        deadline = time.monotonic() + self._timeout_s + self._character_s * (len(asked) + size)
        received = b""
        while time.monotonic() < deadline and len(received) < MOST_BYTES:
            data = self._line.read()
            received += data
            answer = find(self._without_echo(received, asked), question) if data else None
            if answer:
                return _answered(question, asked, answer, late + self._spoke_late(received))
        if received.endswith(asked[:-1]) and not self._echo and (answer := find(received, question)):
            # The last byte of an echo never came: it was the answer.
            return _answered(question, asked, answer, late)
        rest = self._without_echo(received, asked)
        late += self._spoke_late(rest)
        if len(rest) < size or late:
            self._late[question.node] = time.monotonic() + LATE_TIMES * self._timeout_s
        # What another unit said late is no damaged answer of this one.
        return Answer(packed(asked, rest) if rest and not late else b"", late=late)

    def _without_echo(self, received: bytes, asked: bytes) -> bytes:
        if self._echo is False:
            return received
        _, echo, rest = received.partition(asked)
        if echo:
            return rest
        # Some questions for one register are, but for their last byte, sound answers to themselves: an echo that is
        # still arriving is no answer yet. One that is declared may also be damaged.
        arriving = asked.startswith(received) or received.endswith(asked[:-1])
        return b"" if arriving or (self._echo and len(received) <= QUESTION_BYTES) else received

    def _hush(self, until: float) -> bytes:
        """What has come unasked, at least until then [s, monotonic], and on until it is quiet; it answers nothing."""
        give_up = max(until, time.monotonic()) + self._timeout_s
        heard = b""
        while (data := self._line.read()) or time.monotonic() < until:
            heard = (heard + data)[-MOST_BYTES:]
            if time.monotonic() > give_up:
                break
        return heard

    def _spoke_late(self, heard: bytes) -> tuple[int, ...]:
        """Nodes that still owed an answer, and gave one."""
        starts = range(len(heard) - _ANSWER_FRAME + 1) if self._late else range(0)
        owing = {heard[start] for start in starts if heard[start] in self._late and _frame_at(heard, start)}
        return tuple(sorted(owing))


def find(received: bytes, question: Question) -> bytes | None:
    """The answer to a question among received bytes; None while there is none."""
    for start in range(len(received) - _ANSWER_FRAME + 1):
        node, function, third = received[start : start + 3]
        registers = function == question.function and third == 2 * question.count
        if node == question.node and (registers or function == question.function | 0x80):
            found = _frame_at(received, start)
            if found:
                return found
    return None


def _frame_at(received: bytes, start: int) -> bytes | None:
    """The sound answer that begins there, whoever gives it."""
    function, third = received[start + 1], received[start + 2]
    if function & 0x7F not in _REQUESTS:
        return None
    size = _ANSWER_FRAME + (third if function in _REQUESTS else 0)
    candidate = received[start : start + size]
    return candidate if len(candidate) == size and _RTU.decode(candidate)[3] else None


class TcpWire:
    """Modbus over TCP.

    Parameters
    ----------
    plan : SourcePlan
        Host, port, time-out.
    """

    def __init__(self, plan: SourcePlan) -> None:
        self._host, self._port, self._timeout_s = plan.host or "", plan.tcp_port, plan.timeout_s
        self._where = f"modbus {self._host}, port {self._port}"
        self._socket: socket.socket | None = None
        self._received = b""
        self._transaction = 0
        self._silent = 0

    def open(self) -> None:
        try:
            self._socket = socket.create_connection((self._host, self._port), timeout=CONNECT_S)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        except (OSError, UnicodeError) as fault:
            raise LineFault(f"{self._where}: no connection ({fault}); see host and tcp_port in the settings") from None
        self._received, self._silent = b"", 0

    def close(self) -> None:
        gone, self._socket = self._socket, None
        if gone:
            gone.close()

    def ask(self, question: Question) -> Answer:
        self._transaction = self._transaction % 0xFFFF + 1
        try:
            return self._ask(question, self._transaction)
        except OSError as fault:
            raise LineFault(f"{self._where}: lost ({fault})") from None

    def _ask(self, question: Question, transaction: int) -> Answer:
        if self._socket is None:
            raise LineFault(f"{self._where}: not connected")
        self._socket.settimeout(self._timeout_s)
        self._socket.sendall(_TCP.buildFrame(_request(question, transaction)))
        deadline = time.monotonic() + self._timeout_s
        strange = b""
        while (left := deadline - time.monotonic()) > 0:
            self._socket.settimeout(left)
            try:
                data = self._socket.recv(4096)
            except TimeoutError:
                break
            if not data:
                raise LineFault(f"{self._where}: closed by the other side")
            self._received, self._silent = self._received + data, 0
            for node, number, pdu in self._frames():
                if number != transaction:
                    continue  # late: it answers an earlier question
                answer = _RTU.encode(pdu, node, 0)
                if find(answer, question) == answer:
                    return _answered(question, frame(question), answer)
                strange = answer
        self._silent += 1
        if self._silent >= SILENT_BEFORE_NEW:
            raise LineFault(f"{self._where}: {self._silent} questions without an answer; connecting anew")
        return Answer(packed(frame(question), strange) if strange else b"")

    def _frames(self) -> list[tuple[int, int, bytes]]:
        """Whole frames that have come: node, transaction, PDU."""
        frames = []
        while len(self._received) >= FramerSocket.MIN_SIZE:
            protocol, size = int.from_bytes(self._received[2:4], "big"), int.from_bytes(self._received[4:6], "big")
            if protocol or not 3 <= size <= 254:
                raise LineFault(f"{self._where}: what answers there is no Modbus")
            used, node, transaction, pdu = _TCP.decode(self._received)
            if not used:
                break
            self._received = self._received[used:]
            frames.append((node, transaction, pdu))
        return frames
