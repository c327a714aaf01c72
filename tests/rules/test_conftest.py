"""The habits that conftest keeps: a test that leaves something behind fails, and says what."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

CONFTEST = Path(__file__).parent.parent / "conftest.py"

LEAVERS = """
import os, socket, sqlite3, subprocess, threading

keep = []

def test_thread():
    threading.Thread(target=threading.Event().wait, name="waiter", daemon=True).start()

def test_child():
    keep.append(subprocess.Popen(["true"]))

def test_terminal():
    os.openpty()

def test_port():
    keep.append(socket.create_server(("127.0.0.1", 0)))

def test_store(tmp_path):
    keep.append(sqlite3.connect(tmp_path / "x.db"))
    keep[-1].execute("CREATE TABLE x (y)")

def test_network():
    with socket.socket() as far:
        far.connect(("192.0.2.1", 9))

def test_tidy(tmp_path):
    subprocess.run(["true"], check=True)
    thread = threading.Thread(target=int)
    thread.start()
    thread.join()
    connection = sqlite3.connect(tmp_path / "x.db")
    connection.close()
"""


def test_what_is_left_behind_fails_its_test(tmp_path: Path) -> None:
    """Each kind of thing that a test can forget turns that test red and is named; a tidy test stays green."""
    conftest = CONFTEST.read_text(encoding="utf-8").replace("_GRACE_S = 5.0", "_GRACE_S = 0.1")
    (tmp_path / "conftest.py").write_text(conftest, encoding="utf-8")
    (tmp_path / "test_leavers.py").write_text(LEAVERS, encoding="utf-8")
    run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:dash", "-p", "no:cacheprovider", "-rEfp", "--tb=no", "."],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1", "COLUMNS": "300"},
    )
    said = {
        line.split("::")[1].split(" ")[0]: line for line in run.stdout.splitlines() if "::" in line and " - " in line
    }
    assert run.returncode == 1
    assert "left behind: thread waiter" in said["test_thread"]
    assert "left behind: child process" in said["test_child"]
    assert "/dev/pts/" in said["test_terminal"]
    assert "left behind: open port" in said["test_port"]
    assert "/x.db" in said["test_store"]
    assert "a test may not leave the machine: ('192.0.2.1', 9)" in said["test_network"]
    assert sorted(said) == ["test_child", "test_network", "test_port", "test_store", "test_terminal", "test_thread"]
