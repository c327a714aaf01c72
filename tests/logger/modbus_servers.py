"""Owns pymodbus' own servers, running beside a test: on a socket, and on a pair of joined pseudo-terminals."""

from __future__ import annotations

import asyncio
import os
import selectors
import threading
import tty
from collections.abc import Callable, Coroutine, Iterator
from contextlib import contextmanager
from typing import Any

from pymodbus.server import ModbusBaseServer, ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice


def device(node: int, action: Any = None, **first: int | float | list[int]) -> SimDevice:
    """A unit with these values from address 0 on (`words`), and a float at address 100."""
    words = first.get("words", [0])
    data = [
        SimData(0, values=words, datatype=DataType.REGISTERS),
        SimData(100, values=float(first.get("number", 0.0)), datatype=DataType.FLOAT32),  # type: ignore[arg-type]
    ]
    return SimDevice(node, simdata=data, action=action)


@contextmanager
def _running(make: Callable[[], ModbusBaseServer]) -> Iterator[ModbusBaseServer]:
    loop = asyncio.new_event_loop()
    thread = threading.Thread(target=loop.run_forever)
    thread.start()

    def within(work: Coroutine[Any, Any, Any]) -> Any:
        return asyncio.run_coroutine_threadsafe(work, loop).result(20)

    async def begin() -> ModbusBaseServer:
        server = make()
        await server.serve_forever(background=True)
        return server

    async def end(server: ModbusBaseServer) -> None:
        await server.shutdown()
        await asyncio.sleep(0)

    try:
        server = within(begin())
        try:
            yield server
        finally:
            within(end(server))
    finally:
        loop.call_soon_threadsafe(loop.stop)
        thread.join()
        loop.close()


@contextmanager
def over_tcp(*devices: SimDevice) -> Iterator[int]:
    """A server on the loopback; its port."""
    with _running(lambda: ModbusTcpServer(list(devices), address=("127.0.0.1", 0))) as server:
        yield server.transport.sockets[0].getsockname()[1]  # type: ignore[union-attr]


@contextmanager
def over_serial(*devices: SimDevice) -> Iterator[str]:
    """A server on one of two joined pseudo-terminals; the name of the other."""
    with _joined() as (theirs, ours), _running(lambda: ModbusSerialServer(list(devices), port=theirs, baudrate=19200)):
        yield ours


@contextmanager
def _joined() -> Iterator[tuple[str, str]]:
    (left, left_near), (right, right_near) = os.openpty(), os.openpty()
    for near in (left_near, right_near):
        tty.setraw(near)
    stopped, stop = os.pipe()

    def carry() -> None:
        with selectors.DefaultSelector() as selector:
            for end in (left, right, stopped):
                selector.register(end, selectors.EVENT_READ)
            while True:
                for key, _ in selector.select():
                    if key.fd == stopped:
                        return
                    os.write(right if key.fd == left else left, os.read(int(key.fd), 4096))

    thread = threading.Thread(target=carry)
    thread.start()
    try:
        yield os.ttyname(left_near), os.ttyname(right_near)
    finally:
        os.write(stop, b".")
        thread.join()
        for descriptor in (left, left_near, right, right_near, stopped, stop):
            os.close(descriptor)
