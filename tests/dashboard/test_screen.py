"""Text leaves the process as UTF-8 whatever the locale, and as plain ASCII on a terminal that can show no more."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from dashboard.screen import shows_unicode

# The script itself is ASCII: arguments are read in the locale's own characters.
SCRIPT = (
    "import sys; from dashboard import screen; screen.prepare(); "
    r"print('430 m\u03a9 at 70 \u00b0C \u2212 done'); print('\u03a9', file=sys.stderr)"
)


@pytest.mark.parametrize(
    ("environment", "shows"),
    [
        ({"TERM": "xterm-256color", "LANG": "de_DE.UTF-8"}, True),
        ({"TERM": "linux", "LANG": "C.utf8"}, True),
        ({"TERM": "xterm"}, True),
        ({"TERM": "xterm", "LANG": ""}, True),
        ({"TERM": "xterm", "LANG": "en_US.UTF-8", "LC_ALL": "C"}, False),
        ({"TERM": "xterm", "LANG": "fr_FR.ISO-8859-1"}, False),
        ({"TERM": "vt220", "LANG": "en_US.UTF-8"}, False),
        ({"TERM": "dumb"}, False),
    ],
)
def test_what_a_terminal_can_show(environment: dict[str, str], shows: bool) -> None:
    """LC_ALL before LC_CTYPE before LANG (POSIX, XBD 8.2); an old terminal knows ASCII alone."""
    assert shows_unicode(environment) == shows


@pytest.mark.parametrize("locale", ["C", "POSIX", "fr_FR.ISO-8859-1", "C.UTF-8"])
def test_a_pipe_gets_utf_8_whatever_the_locale(locale: str) -> None:
    """Another program reads the same bytes everywhere."""
    environment = {**os.environ, "LC_ALL": locale, "PYTHONCOERCECLOCALE": "0", "PYTHONUTF8": "0"}
    done = subprocess.run([sys.executable, "-c", SCRIPT], env=environment, capture_output=True, check=True)
    assert done.stdout.decode() == "430 mΩ at 70 °C − done\n"


@pytest.mark.terminal
@pytest.mark.parametrize(
    ("term", "locale", "shown"),
    [
        ("vt220", "C.UTF-8", b"430 mohm at 70 deg C - done"),
        ("xterm", "POSIX", b"430 mohm at 70 deg C - done"),
        ("xterm", "C.UTF-8", "430 mΩ at 70 °C − done".encode()),
    ],
)
def test_a_terminal_gets_what_it_can_show(term: str, locale: str, shown: bytes) -> None:
    """On a real pseudo-terminal: words for the signs that it lacks, never an error."""
    leader, follower = os.openpty()
    environment = {**os.environ, "TERM": term, "LC_ALL": locale}
    with os.fdopen(leader, "rb", buffering=0) as screen, os.fdopen(follower, "wb") as terminal:
        subprocess.run([sys.executable, "-c", SCRIPT], env=environment, stdout=terminal, stderr=terminal, check=True)
        said = screen.read(200)
    assert shown in said
