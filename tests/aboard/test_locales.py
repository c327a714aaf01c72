"""Whole runs of the commands under other locales: what is stored and printed is the same to the byte."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from itertools import islice
from pathlib import Path

import pytest

from .rig import Aboard, device, heard_from_the_start, source, until

COMMA = "de_DE.UTF-8"


@pytest.fixture(scope="module")
def commas(tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """An environment whose numbers take a comma, to the C library too: every Python in it sets its locale whole."""
    folder = tmp_path_factory.mktemp("locales")
    tool = shutil.which("localedef")
    assert tool, "localedef is not here; on Debian: apt-get install locales"
    command = [tool, "-i", "de_DE", "-f", "UTF-8", str(folder / COMMA)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert (folder / COMMA / "LC_NUMERIC").exists(), done.stderr
    (folder / "sitecustomize.py").write_text("import locale\nlocale.setlocale(locale.LC_ALL, '')\n", encoding="utf-8")
    return {"LOCPATH": str(folder), "LC_ALL": COMMA, "LANG": COMMA, "PYTHONPATH": str(folder)}


def said(folder: Path, *command: str, **environment: str) -> str:
    """What a command of ours prints."""
    done = subprocess.run(
        [sys.executable, "-m", "dashboard", *command],
        cwd=folder,
        env={**os.environ, **environment},
        capture_output=True,
        text=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.locale
def test_the_comma_is_there(commas: dict[str, str]) -> None:
    """What the other tests stand on: in this environment the C library itself prints a comma."""
    program = "import ctypes; b = ctypes.create_string_buffer(9); libc = ctypes.CDLL(None); \
libc.snprintf(b, ctypes.c_size_t(9), b'%.1f', ctypes.c_double(0.5)); print(b.value.decode())"
    done = subprocess.run(
        [sys.executable, "-c", program], env={**os.environ, **commas}, capture_output=True, text=True, check=True
    )
    assert done.stdout == "0,5\n"


@pytest.mark.locale
@pytest.mark.terminal
def test_a_line_is_recorded_under_commas(tmp_path: Path, commas: dict[str, str]) -> None:
    """Points on the line are points, in the logging process after its exec."""
    with device(tmp_path / "cabin-controller") as made:
        aboard = Aboard(tmp_path, source(made))
        with aboard.recording(**commas) as process:
            heard_from_the_start(made)
            made.says(b"V=13.125,I=-4.5\n")
            until(lambda: aboard.values("bank.house.current"), "a reading")
            process.terminate()
            assert process.wait(30) == 0
    assert (aboard.values(), aboard.values("bank.house.current")) == ([13.125], [-4.5])


@pytest.fixture(scope="module")
def history(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two days of Lapwing's history and its settings."""
    folder = tmp_path_factory.mktemp("history")
    command = [sys.executable, "-m", "fixtures.lapwing.history", str(folder)]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    whole = folder / "history.csv"
    with whole.open(encoding="utf-8") as file:
        rows = "".join(islice(file, 1 + 2 * 1440))
    whole.write_text(rows, encoding="utf-8")
    return folder


def _judged(history: Path, folder: Path, environment: dict[str, str]) -> dict[str, str]:
    """Import, judge and take out again; everything that was printed."""
    for name in ("noonmark.toml", "history.csv"):
        shutil.copy(history / name, folder)
    said(folder, "import", "history.csv", **environment)
    return {
        "assess": said(folder, "assess", **environment),
        "assess --json": said(folder, "assess", "--json", **environment),
        "findings": said(folder, "findings", "--json", **environment),
        "check": said(folder, "check", **environment),
        "export": said(folder, "export", "-", **environment),
    }


@pytest.fixture(scope="module")
def plain(history: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, str]:
    """The same in the plainest locale that knows UTF-8."""
    return _judged(history, tmp_path_factory.mktemp("plain"), {"LC_ALL": "C.UTF-8", "LANG": "C.UTF-8"})


@pytest.mark.locale
def test_all_is_judged_and_printed_alike_under_commas(
    history: Path, tmp_path: Path, plain: dict[str, str], commas: dict[str, str]
) -> None:
    """A file read, an assessment, its JSON and an export: the decimal comma of the machine changes no byte."""
    assert _judged(history, tmp_path, commas) == plain


def test_all_is_judged_and_printed_alike_under_the_bare_locale(
    history: Path, tmp_path: Path, plain: dict[str, str]
) -> None:
    """Nor does a locale that knows ASCII alone: what goes into a file or a pipe is UTF-8."""
    bare = {"LC_ALL": "C", "LANG": "C"}
    assert _judged(history, tmp_path, bare) == plain
