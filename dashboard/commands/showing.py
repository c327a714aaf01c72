"""Owns ``pages``: the dashboard behind a production server on this machine alone."""

from __future__ import annotations

import errno
import logging
import os
import signal
import socket
from pathlib import Path
from types import FrameType
from typing import TYPE_CHECKING, Any

import click

from dashboard.commands.options import settings_option
from logger.errors import NoonmarkError

if TYPE_CHECKING:
    from dash import Dash

HOST, PORT = "127.0.0.1", 8050
_PORTS_TO_TRY = 50


class PortTaken(NoonmarkError):
    """Another program listens at that address."""


def free_port(start: int = PORT, host: str = HOST) -> int:
    """The first port from `start` on that nobody listens at.

    Raises
    ------
    PortTaken
        None of the next fifty is free.
    """
    for port in range(start, min(start + _PORTS_TO_TRY, 65_536)):
        with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
            probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind((host, port))
            except OSError:
                continue
        return port
    raise PortTaken(f"no port from {start} to {start + _PORTS_TO_TRY - 1} is free on {host}; name another with --port")


def listening(app: Dash, host: str = HOST, port: int = PORT) -> Any:
    """A server that listens already; its ``run()`` serves until its ``close()``.

    Raises
    ------
    PortTaken
        Another program listens there, or the port may not be used.
    """
    import waitress

    # Its notes on queue length say nothing to a person aboard.
    logging.getLogger("waitress.queue").setLevel(logging.ERROR)
    line = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    line.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        # Bound here: where the server itself cannot bind it leaves threads behind.
        line.bind((host, port))
    except OSError as fault:
        line.close()
        if fault.errno == errno.EADDRINUSE:
            raise PortTaken(
                f"port {port} on {host} is taken by another program; perhaps the pages are up already at "
                f"http://{host}:{port}/. Otherwise name another: --port {port + 1}"
            ) from None
        why = os.strerror(fault.errno) if fault.errno else str(fault)
        raise PortTaken(f"port {port} on {host} cannot be used ({why}); name another with --port") from None
    return waitress.create_server(app.server, sockets=[line], threads=6, ident=None)


def serve(app: Dash, host: str = HOST, port: int = PORT) -> None:
    """Serve until Ctrl-C or SIGTERM; say the address once somebody can come in.

    Raises
    ------
    PortTaken
    """
    server = listening(app, host, port)

    def stop(_signal: int, _frame: FrameType | None) -> None:
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGTERM, stop)
    try:
        click.echo(f"The pages are at http://{host}:{port}/, for this machine alone. Ctrl-C ends them.", err=True)
        server.run()
    except KeyboardInterrupt:
        pass
    finally:
        signal.signal(signal.SIGTERM, before)
        server.close()


@click.command()
@settings_option
@click.option(
    "--port", type=click.IntRange(1, 65_535), default=PORT, show_default=True, help="Where the pages are served."
)
def pages(settings_path: Path, port: int) -> None:
    """Serve the dashboard on this machine: now, harvest, wiring, enclosure, findings.

    The pages only read. They need no network and nothing leaves the machine.
    """
    from dashboard.app import create_app
    from logger.settings_file import read

    serve(create_app(read(settings_path).store_path, settings_path), HOST, port)
