"""Power cuts while days are sealed, played by kill -9 at random moments of ``noonmark archive``'s work."""

from __future__ import annotations

import random
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from fixtures.long_record import make
from logger import reading
from logger.sealed import DAY_MS
from logger.store import open_writer, transaction
from tests.logger.archives import FOR_EVER, insert

CHANNELS = 4

# The archive as the command runs it, with a word before each commit, so that the kill falls into the work.
SEAL = """
import sys
from contextlib import closing
from pathlib import Path
from logger import archive, reopening, sealed
from logger.store import open_writer
real = archive.transaction
def told(connection):
    print("commit", flush=True)
    return real(connection)
archive.transaction = reopening.transaction = told
with sealed.at_work(Path(sys.argv[1])), closing(open_writer(Path(sys.argv[1]))) as connection:
    archive.Archive(connection).seal(1, int(sys.argv[2]))
"""


@contextmanager
def sealing(store: Path, now: int) -> Iterator[subprocess.Popen[str]]:
    with subprocess.Popen(
        [sys.executable, "-c", SEAL, str(store), str(now)], stdout=subprocess.PIPE, text=True
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def killed_after(process: subprocess.Popen[str], commits: int, seconds: float) -> bool:
    """Kill -9 so long after so many commits have begun; whether it was still at work."""
    assert process.stdout
    for _ in range(commits):
        if not process.stdout.readline():
            return False
    try:
        process.wait(seconds)
    except subprocess.TimeoutExpired:
        return True
    return False


def play(folder: Path, kills: int, days: int, step_ms: int) -> int:
    """Kill the sealing of a record so often, let it finish, and compare all it holds; how many kills fell into it."""
    rng = random.Random(21)
    made = make(folder, days / 365.25, CHANNELS, step_ms, hot_days=40)
    now = made.stop + 500 * DAY_MS
    killed = 0
    with closing(open_writer(made.store)) as connection:
        expected = reading.rows(connection, "sample", 0, FOR_EVER)
        minutes = reading.rows(connection, "minute", 0, FOR_EVER)
        late: list[tuple[int, int, float]] = []
        for n in range(kills):
            with sealing(made.store, now) as process:
                killed += killed_after(process, rng.randint(1, 12), rng.uniform(0, 0.02))
            found = reading.rows(connection, "sample", 0, FOR_EVER)
            assert found.same(expected), "a sample is lost, stands twice or has another value"
            assert connection.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            if n % 3 == 0:
                at = rng.randrange(len(expected))
                late.append((int(expected.t[at]), int(expected.channel[at]), 100.0 + n))
                expected.values[0, at] = 100.0 + n
                with transaction(connection):
                    insert(connection, late[-1:])
        with sealing(made.store, now) as process:
            process.communicate(timeout=60)
            assert process.returncode == 0
        for table in ("sample", "minute"):
            assert connection.execute(f"SELECT count(*) FROM {table}").fetchone() == (0,), table
        assert reading.rows(connection, "sample", 0, FOR_EVER).same(expected)
        after = reading.rows(connection, "minute", 0, FOR_EVER)
        assert after.key.tolist() == minutes.key.tolist()
        highest = dict(zip(after.key.tolist(), after.values[2].tolist(), strict=True))
        assert all(highest[t // 60_000 * 60_000 << 20 | c] >= value for t, c, value in late)
    assert not list((folder / "archive").glob("*.part"))
    return killed


def test_kills_at_random_moments_of_sealing(tmp_path: Path) -> None:
    """Nothing is lost and nothing doubled, late data that come between the kills included; the last run finishes."""
    assert play(tmp_path, kills=8, days=5, step_ms=20_000) >= 2
