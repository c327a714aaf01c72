"""What a person at a terminal sees of a long import, and what a pipe does not."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, redirect_stderr
from pathlib import Path

import pytest

from dashboard.commands.importing import Bar


@contextmanager
def terminal() -> Iterator[int]:
    """A real pseudo-terminal as standard error; gives the end that shows what was written."""
    here, there = os.openpty()
    try:
        with os.fdopen(there, "w", encoding="utf-8") as stream, redirect_stderr(stream):
            yield here
    finally:
        os.close(here)


def shown(end: int) -> str:
    sys.stderr.flush()
    os.set_blocking(end, False)
    try:
        return os.read(end, 4096).decode()
    except BlockingIOError:
        return ""


def test_a_long_import_shows_how_far_it_is() -> None:
    """After the quiet time a line with name and share stands on the terminal, and is wiped at the end."""
    with terminal() as end:
        bar = Bar(quiet_s=0.0)
        bar.show(Path("history.csv"), 50, 200)
        text = shown(end)
        bar.clear()
        assert shown(end) == "\r\x1b[K"
    assert "history.csv [########" in text
    assert " 25%" in text


def test_a_short_import_shows_nothing() -> None:
    """Within the quiet time nothing is written, nor wiped."""
    with terminal() as end:
        bar = Bar(quiet_s=3600.0)
        bar.show(Path("history.csv"), 50, 200)
        bar.clear()
        assert shown(end) == ""


def test_a_pipe_shows_nothing(capsys: pytest.CaptureFixture[str]) -> None:
    """Where standard error is no terminal there is no bar."""
    bar = Bar(quiet_s=0.0)
    bar.show(Path("history.csv"), 50, 200)
    bar.clear()
    assert capsys.readouterr().err == ""
