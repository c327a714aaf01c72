"""Questions and answers with pymodbus' own servers, and with a gateway that answers late or nonsense."""

from __future__ import annotations

import socket
import struct
import threading
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pymodbus.framer import FramerRTU

from logger.decoders.registers import RegisterDecoder
from logger.errors import LineFault
from logger.exchange import Question
from logger.plan import ChannelPlan, RegisterPlan, SourcePlan
from logger.readings import Record
from logger.sources.modbus_wire import QUIET_S, Answer, TcpWire, find, frame, silence_s, wire

from .modbus_servers import device, over_serial, over_tcp

UNITS = device(1, words=[131, 42], number=12.6), device(17, words=[44609, 22098, 17216])


def tcp(port: int, **more: object) -> SourcePlan:
    return SourcePlan("bus", "modbus", (), host="127.0.0.1", tcp_port=port, **more)  # type: ignore[arg-type]


def words(answer: Answer, question: Question) -> list[float | str]:
    """The registers of an answer, as the decoder reads them."""
    places = [
        RegisterPlan(question.node, question.function, question.address + i, "uint16") for i in range(question.count)
    ]
    channels = tuple(
        ChannelPlan(p.label, f"array.r{i}.voltage", "V", 1.0, 0.0, 0.0, 1e9, register=p) for i, p in enumerate(places)
    )
    items = RegisterDecoder(SourcePlan("bus", "modbus", channels)).feed(answer.exchange)
    return [reading.value for item in items if isinstance(item, Record) for reading in item.readings]


@pytest.fixture(params=["tcp", pytest.param("serial", marks=pytest.mark.terminal)])
def served(request: pytest.FixtureRequest) -> Iterator[SourcePlan]:
    if request.param == "tcp":
        with over_tcp(*UNITS) as port:
            yield tcp(port)
    else:
        with over_serial(*UNITS) as name:
            yield SourcePlan("bus", "modbus", (), port=name, baud=19200)


@pytest.mark.parametrize("function", [3, 4])
def test_a_server_is_read(served: SourcePlan, function: int) -> None:
    """Two units, one after the other, by either function; over TCP and on a serial line alike."""
    with closing(wire(served)) as opened:
        opened.open()
        for question, expected in [
            (Question(1, function, 0, 2), [131, 42]),
            (Question(17, function, 0, 3), [44609, 22098, 17216]),
        ]:
            answer = opened.ask(question)
            assert (answer.sound, answer.exception) == (True, 0)
            assert words(answer, question) == expected


def test_a_float_of_a_server(served: SourcePlan) -> None:
    """12.6 is 4149 999A."""
    with closing(wire(served)) as opened:
        opened.open()
        question = Question(1, 3, 100, 2)
        assert words(opened.ask(question), question) == [0x4149, 0x999A]


def test_a_register_that_a_server_does_not_have(served: SourcePlan) -> None:
    """Exception 02, an answer as any other."""
    with closing(wire(served)) as opened:
        opened.open()
        answer = opened.ask(Question(1, 3, 50, 1))
        assert (answer.sound, answer.exception) == (True, 2)
        question = Question(1, 3, 0, 1)
        assert words(opened.ask(question), question) == [131]


@pytest.mark.parametrize(("baud", "ms"), [(1200, 32.083), (9600, 4.010), (19200, 2.005), (38400, 1.75), (115200, 1.75)])
def test_frames_are_parted_by_the_published_silence(baud: int, ms: float) -> None:
    """MODBUS over Serial Line V1.02, 2.5.1.1; what we wait for before we ask is never shorter, on slow lines too."""
    assert silence_s(baud) * 1000 == pytest.approx(ms, abs=0.001)
    line = wire(SourcePlan("bus", "modbus", (), port="/dev/null", baud=baud))._line  # type: ignore[attr-defined]
    assert line._patience_s >= silence_s(baud)
    assert line._patience_s >= QUIET_S


def test_questions_are_framed_as_published() -> None:
    """Unit 17, three holding registers from 107; unit 1, ten from 0 (Application Protocol V1.1b3, 6.3)."""
    assert frame(Question(17, 3, 107, 3)).hex() == "1103006b00037687"
    assert frame(Question(1, 3, 0, 10)).hex() == "01030000000ac5cd"
    assert frame(Question(17, 4, 8, 1)).hex() == "110400080001b298"


@given(before=st.binary(max_size=40), after=st.binary(max_size=10), words=st.lists(st.integers(0, 65535), min_size=1))
def test_an_answer_is_found_in_noise(before: bytes, after: bytes, words: list[int]) -> None:
    """Whatever stands before and behind it."""
    words = words[:125]
    body = struct.pack(f">BBB{len(words)}H", 5, 3, 2 * len(words), *words)
    sent = body + FramerRTU.compute_CRC(body).to_bytes(2, "big")
    assert find(before + sent + after, Question(5, 3, 0, len(words))) == sent
    assert find(before + sent[:-1], Question(5, 3, 0, len(words))) is None


# -- a gateway with a will of its own -----------------------------------------------------------------------------


@contextmanager
def gateway(reply: Callable[[int, bytes], list[bytes]]) -> Iterator[int]:
    """A server that gives `reply` (number of the question, question) back, frame by frame, on each connection."""
    with socket.create_server(("127.0.0.1", 0)) as server:

        def serve() -> None:
            number = 0
            while True:
                try:
                    near, _ = server.accept()
                except OSError:
                    return
                with near:
                    try:
                        while asked := near.recv(12):
                            number += 1
                            for part in reply(number, asked):
                                near.sendall(part)
                    except OSError:
                        continue

        thread = threading.Thread(target=serve)
        thread.start()
        try:
            yield server.getsockname()[1]
        finally:
            server.shutdown(socket.SHUT_RDWR)
            thread.join()


def mbap(transaction: int, node: int, *registers: int) -> bytes:
    body = struct.pack(f">BBB{len(registers)}H", node, 3, 2 * len(registers), *registers)
    return struct.pack(">HHH", transaction, 0, len(body)) + body


def test_a_late_answer_over_tcp_is_passed_over() -> None:
    """The answer to the first question comes with the one to the second: the transaction id tells them apart."""

    def reply(number: int, asked: bytes) -> list[bytes]:
        return [] if number == 1 else [mbap(1, 1, 111), mbap(2, 1, 222)]

    with gateway(reply) as port, closing(TcpWire(tcp(port, timeout_s=0.2))) as opened:
        opened.open()
        question = Question(1, 3, 0, 1)
        assert opened.ask(question) == Answer()
        assert words(opened.ask(question), question) == [222]


def test_an_answer_in_pieces() -> None:
    """TCP keeps the bytes and not their bounds."""

    def reply(number: int, asked: bytes) -> list[bytes]:
        return [bytes([byte]) for byte in mbap(number, 1, 131, 42)]

    with gateway(reply) as port, closing(TcpWire(tcp(port))) as opened:
        opened.open()
        question = Question(1, 3, 0, 2)
        assert words(opened.ask(question), question) == [131, 42]


@pytest.mark.parametrize("strange", [mbap(1, 2, 111), mbap(1, 1, 1, 2)])
def test_another_units_or_another_length_over_tcp(strange: bytes) -> None:
    """The right transaction with the wrong unit, or too many registers: kept for the rejects, never as a value."""
    with gateway(lambda number, asked: [strange]) as port, closing(TcpWire(tcp(port, timeout_s=0.2))) as opened:
        opened.open()
        answer = opened.ask(Question(1, 3, 0, 1))
        assert not answer.sound
        assert answer.exchange


def test_what_is_no_modbus_is_said() -> None:
    """Someone named the port of a web server."""
    with (
        gateway(lambda number, asked: [b"HTTP/1.1 400 Bad Request\r\n\r\n"]) as port,
        closing(TcpWire(tcp(port))) as opened,
    ):
        opened.open()
        with pytest.raises(LineFault, match=r"modbus 127\.0\.0\.1, port \d+: what answers there is no Modbus"):
            opened.ask(Question(1, 3, 0, 1))


def test_a_dead_connection_is_made_anew() -> None:
    """Three questions without a byte in return: the other end may have gone without a word."""
    with gateway(lambda number, asked: []) as port, closing(TcpWire(tcp(port, timeout_s=0.05))) as opened:
        opened.open()
        assert [opened.ask(Question(1, 3, 0, 1)) for _ in range(2)] == [Answer(), Answer()]
        with pytest.raises(LineFault, match="3 questions without an answer; connecting anew"):
            opened.ask(Question(1, 3, 0, 1))


def test_a_host_that_is_not_there_is_said() -> None:
    """What, where, and which keys."""
    with pytest.raises(LineFault, match=r"no connection \(.*\); see host and tcp_port in the settings"):
        TcpWire(tcp(1)).open()


def test_a_closed_connection_is_a_loss() -> None:
    """The other side hangs up."""

    def hang_up(number: int, asked: bytes) -> list[bytes]:
        raise OSError

    with gateway(hang_up) as port, closing(TcpWire(tcp(port))) as opened:
        opened.open()
        with pytest.raises(LineFault, match=r"closed by the other side|lost"):
            opened.ask(Question(1, 3, 0, 1))
