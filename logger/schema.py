"""Owns the store's tables and their migrations (sqlite-utils). Not imported by the logging process.

``python -m logger.schema PATH`` creates the store or brings it up to date, so that the lean logger's parent can
do it in a child process; a damaged one is moved aside first (with ``--damaged`` whatever a look at it says). Migrations
are only ever appended.
"""

from __future__ import annotations

import datetime as dt
import fcntl
import sqlite3
import sys
from contextlib import ExitStack, closing
from pathlib import Path

import sqlite_utils
from sqlite_utils.migrations import Migrations

from logger import damage
from logger.backup import before_upgrade
from logger.errors import NoonmarkError, StoreError, StoreTooNew, StoreUnwritable
from logger.store import BUSY_MS, PRAGMAS, transaction
from logger.trouble import NOT_NOW, can_pass

PAGE_BYTES = 2048

migrations = Migrations("noonmark")

_FIRST = """
CREATE TABLE channel (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, unit TEXT NOT NULL);
CREATE TABLE label (channel INTEGER NOT NULL, code INTEGER NOT NULL, name TEXT NOT NULL,
  PRIMARY KEY (channel, code)) WITHOUT ROWID;
CREATE TABLE sample (t INTEGER NOT NULL, channel INTEGER NOT NULL, value REAL NOT NULL,
  PRIMARY KEY (t, channel)) WITHOUT ROWID;
CREATE TABLE minute (t INTEGER NOT NULL, channel INTEGER NOT NULL, mean REAL NOT NULL, low REAL NOT NULL,
  high REAL NOT NULL, n INTEGER NOT NULL, PRIMARY KEY (t, channel)) WITHOUT ROWID;
CREATE TABLE hour (t INTEGER NOT NULL, channel INTEGER NOT NULL, mean REAL NOT NULL, low REAL NOT NULL,
  high REAL NOT NULL, n INTEGER NOT NULL, PRIMARY KEY (channel, t)) WITHOUT ROWID;
CREATE TABLE day (t INTEGER NOT NULL, channel INTEGER NOT NULL, mean REAL NOT NULL, low REAL NOT NULL,
  high REAL NOT NULL, n INTEGER NOT NULL, PRIMARY KEY (channel, t)) WITHOUT ROWID;
CREATE TABLE span (channel INTEGER NOT NULL, start INTEGER NOT NULL, stop INTEGER NOT NULL, interval_ms INTEGER,
  label TEXT NOT NULL, source TEXT NOT NULL, PRIMARY KEY (channel, start, source)) WITHOUT ROWID;
CREATE TABLE mark (t INTEGER NOT NULL, channel INTEGER NOT NULL, reason TEXT NOT NULL,
  PRIMARY KEY (t, channel, reason)) WITHOUT ROWID;
CREATE TABLE reject (id INTEGER PRIMARY KEY, t INTEGER NOT NULL, source TEXT NOT NULL, raw BLOB NOT NULL,
  reason TEXT NOT NULL);
CREATE TABLE event (id INTEGER PRIMARY KEY, t INTEGER NOT NULL, session INTEGER, source TEXT, kind TEXT NOT NULL,
  text TEXT NOT NULL);
CREATE TABLE session (id INTEGER PRIMARY KEY, boot_id TEXT NOT NULL, started INTEGER NOT NULL,
  monotonic_ns INTEGER NOT NULL, stopped_cleanly INTEGER NOT NULL DEFAULT 0, clock TEXT NOT NULL);
CREATE TABLE source (name TEXT PRIMARY KEY, state TEXT NOT NULL, last_seen INTEGER,
  readings INTEGER NOT NULL DEFAULT 0, rejects INTEGER NOT NULL DEFAULT 0) WITHOUT ROWID;
CREATE TABLE settings (id INTEGER PRIMARY KEY, start INTEGER NOT NULL, stop INTEGER, hash TEXT NOT NULL,
  text TEXT NOT NULL);
CREATE TABLE logbook (id INTEGER PRIMARY KEY, t INTEGER NOT NULL, author TEXT NOT NULL, text TEXT NOT NULL,
  tags TEXT NOT NULL DEFAULT '');

-- How far the logger has read a growing file: `opening` and `before` are digests of its first bytes and of those before
-- `position`, by which a replaced file is told, `state` is what the decoder knew there.
CREATE TABLE followed (path TEXT NOT NULL, source TEXT NOT NULL, position INTEGER NOT NULL, opening TEXT NOT NULL,
  before TEXT NOT NULL, state TEXT NOT NULL, PRIMARY KEY (path, source)) WITHOUT ROWID;

-- Hours whose samples changed since they were last judged, `seq` grows with every touch.
CREATE TABLE stale (hour INTEGER PRIMARY KEY, seq INTEGER NOT NULL);

-- Results. Written by analysis.results alone, every row carries the version of the method.
CREATE TABLE assessed (day TEXT PRIMARY KEY, start INTEGER NOT NULL, stop INTEGER NOT NULL,
  settings_hash TEXT NOT NULL, first_light INTEGER, noon INTEGER NOT NULL, last_light INTEGER,
  method TEXT NOT NULL) WITHOUT ROWID;
CREATE TABLE yield_day (array TEXT NOT NULL, day TEXT NOT NULL, start INTEGER NOT NULL, stop INTEGER NOT NULL,
  rated_w REAL NOT NULL, measured_wh REAL, expected_wh REAL, expected_low_wh REAL, expected_high_wh REAL,
  judged_measured_wh REAL, judged_expected_wh REAL, judged_low_wh REAL, judged_high_wh REAL,
  curtailed_wh REAL, covered_wh REAL, performance_ratio REAL, plane_wh_m2 REAL, daylight_min REAL NOT NULL,
  known_min REAL NOT NULL, judging_min REAL NOT NULL, limited_wh REAL, completeness REAL NOT NULL,
  verdict TEXT NOT NULL,
  cause TEXT, states TEXT NOT NULL, features TEXT NOT NULL, evidence TEXT NOT NULL, method TEXT NOT NULL,
  PRIMARY KEY (array, day)) WITHOUT ROWID;
CREATE TABLE expected (array TEXT NOT NULL, t INTEGER NOT NULL, interval_ms INTEGER NOT NULL, measured_w REAL,
  expected_w REAL, low_w REAL, high_w REAL, plane_wm2 REAL, module_c REAL, method TEXT NOT NULL,
  PRIMARY KEY (array, t)) WITHOUT ROWID;
CREATE TABLE state (array TEXT NOT NULL, start INTEGER NOT NULL, stop INTEGER NOT NULL, state TEXT NOT NULL,
  evidence TEXT NOT NULL, method TEXT NOT NULL, PRIMARY KEY (array, start)) WITHOUT ROWID;
CREATE TABLE loop_resistance (cable TEXT NOT NULL, at INTEGER NOT NULL, start INTEGER NOT NULL, stop INTEGER NOT NULL,
  ohm REAL, ohm_low REAL, ohm_high REAL, intercept_v REAL, design_ohm REAL NOT NULL, current_a REAL, loss_wh REAL,
  drop_percent REAL, n INTEGER NOT NULL, method TEXT NOT NULL, PRIMARY KEY (cable, at)) WITHOUT ROWID;
CREATE TABLE enclosure_model (enclosure TEXT NOT NULL, at INTEGER NOT NULL, start INTEGER NOT NULL,
  stop INTEGER NOT NULL,
  fan TEXT NOT NULL, thermal_resistance_k_per_w REAL, low_k_per_w REAL, high_k_per_w REAL, peak_c REAL, peak_at INTEGER,
  limit_c REAL NOT NULL, over_limit_min REAL, loss_w REAL, n INTEGER NOT NULL, method TEXT NOT NULL,
  PRIMARY KEY (enclosure, at, fan)) WITHOUT ROWID;
CREATE TABLE bank_state (bank TEXT NOT NULL, at INTEGER NOT NULL, start INTEGER NOT NULL, stop INTEGER NOT NULL,
  low_v REAL, low_at INTEGER, high_v REAL, full_at INTEGER, charge_ah REAL, state_of_charge REAL, autonomy_h REAL,
  method TEXT NOT NULL, PRIMARY KEY (bank, at)) WITHOUT ROWID;
CREATE TABLE finding (id INTEGER PRIMARY KEY, rule TEXT NOT NULL, subject TEXT NOT NULL, state TEXT NOT NULL,
  priority TEXT NOT NULL, since INTEGER NOT NULL, until INTEGER, summary TEXT NOT NULL, evidence TEXT NOT NULL,
  causes TEXT NOT NULL, method TEXT NOT NULL, UNIQUE (rule, subject, since));
"""


@migrations()
def first_tables(db: sqlite_utils.Database) -> None:
    """The tables of the contract, the results and the bookkeeping of what is new."""
    for statement in filter(str.strip, _FIRST.split(";")):
        db.execute(statement)


@migrations()
def light_of_days(db: sqlite_utils.Database) -> None:
    """What each clear day says of a light sensor: night offset, gain, and the noon that it shows."""
    db.execute(
        "CREATE TABLE light_day (channel TEXT NOT NULL, day TEXT NOT NULL, start INTEGER NOT NULL, "
        "stop INTEGER NOT NULL, offset_wm2 REAL NOT NULL, clear_min REAL NOT NULL, gain REAL, noon_shift_s REAL, "
        "noon_sigma_s REAL, method TEXT NOT NULL, PRIMARY KEY (channel, day)) WITHOUT ROWID"
    )


@migrations()
def losses(db: sqlite_utils.Database) -> None:
    """Where the light of an array's day went, rung by rung [Wh]: the whole is the cloudless sky on a flat array."""
    db.execute(
        "CREATE TABLE ladder (array TEXT NOT NULL, day TEXT NOT NULL, start INTEGER NOT NULL, "
        "clear_sky_wh REAL NOT NULL, cloud_wh REAL NOT NULL, orientation_wh REAL NOT NULL, "
        "dim_light_wh REAL NOT NULL, warmth_wh REAL NOT NULL, unexplained_wh REAL NOT NULL, covered_wh REAL NOT NULL, "
        "volts_wh REAL NOT NULL, limits_wh REAL NOT NULL, cable_wh REAL NOT NULL, controller_wh REAL NOT NULL, "
        "feed_wh REAL NOT NULL, bank_wh REAL NOT NULL, method TEXT NOT NULL, PRIMARY KEY (array, day)) WITHOUT ROWID"
    )


# Stretches whose rows lie in a file of the archive. A reopened one has all its rows in the store again, and its file
# counts no longer.
_SEALED = """
CREATE TABLE sealed (kind TEXT NOT NULL, start INTEGER NOT NULL, stop INTEGER NOT NULL, file TEXT NOT NULL,
  n INTEGER NOT NULL, first INTEGER NOT NULL, last INTEGER NOT NULL, reopened INTEGER NOT NULL DEFAULT 0,
  PRIMARY KEY (kind, start)) WITHOUT ROWID
"""

_CLOCK = """
-- When a session's last reading was, and which channels it writes, as {source: [channel]}: what is re-dated with it.
ALTER TABLE session ADD COLUMN stopped INTEGER;
ALTER TABLE session ADD COLUMN live TEXT NOT NULL DEFAULT '{}';
-- Who said which UTC at which moment of a boot.
CREATE TABLE clock_evidence (id INTEGER PRIMARY KEY, boot_id TEXT NOT NULL, boot_ns INTEGER NOT NULL,
  utc_ms INTEGER NOT NULL, kind TEXT NOT NULL, sigma_ms INTEGER NOT NULL);
-- Sessions on their way to their true time: what of their samples, from `low` up to `high`, is still to be moved.
CREATE TABLE redating (session INTEGER PRIMARY KEY, shift_ms INTEGER NOT NULL, low INTEGER NOT NULL,
  high INTEGER NOT NULL, clock TEXT NOT NULL);
"""


@migrations()
def sealed_days(db: sqlite_utils.Database) -> None:
    """Which days of samples and months of minutes lie in files."""
    db.execute(_SEALED)


@migrations()
def clock_trust(db: sqlite_utils.Database) -> None:
    """What speaks for the time of each session, and the moving of readings to their true time."""
    for statement in filter(str.strip, _CLOCK.split(";")):
        db.execute(statement)


@migrations()
def drift_of_light(db: sqlite_utils.Database) -> None:
    """The drift of a light sensor's gain that was taken out of the light of a day."""
    db.execute("ALTER TABLE light_day ADD COLUMN drift REAL NOT NULL DEFAULT 1")


_COMPARISONS = """
-- In the plane of the array: minutes known, and irradiation weighed by what the modules' warmth leaves at 25 degrees.
ALTER TABLE yield_day ADD COLUMN plane_min REAL NOT NULL DEFAULT 0;
ALTER TABLE yield_day ADD COLUMN plane_weighed_wh_m2 REAL;
-- Two arrays under the grey sky of a day: what each got, and what an even dome gives it, up to a factor they share.
CREATE TABLE twin_day (one TEXT NOT NULL, other TEXT NOT NULL, day TEXT NOT NULL, start INTEGER NOT NULL,
  stop INTEGER NOT NULL, minutes REAL NOT NULL, one_wh REAL NOT NULL, one_could_wh REAL NOT NULL,
  other_wh REAL NOT NULL, other_could_wh REAL NOT NULL, sigma REAL NOT NULL, method TEXT NOT NULL,
  PRIMARY KEY (day, one, other)) WITHOUT ROWID;
-- The bank's day as the 1998 edition of IEC 61724 counts a system with storage.
CREATE TABLE storage_day (bank TEXT NOT NULL, day TEXT NOT NULL, start INTEGER NOT NULL, stop INTEGER NOT NULL,
  array_wh REAL NOT NULL, backup_wh REAL NOT NULL, to_storage_wh REAL NOT NULL, from_storage_wh REAL NOT NULL,
  load_wh REAL NOT NULL, known_min REAL NOT NULL, method TEXT NOT NULL, PRIMARY KEY (day, bank)) WITHOUT ROWID;
-- When a part changed physically: what was before says nothing of it now.
CREATE TABLE baseline (subject TEXT NOT NULL, start INTEGER NOT NULL, PRIMARY KEY (subject, start)) WITHOUT ROWID;
"""


@migrations()
def comparisons(db: sqlite_utils.Database) -> None:
    """What grey days say of two arrays beside one another, and what goes through the bank."""
    for statement in filter(str.strip, _COMPARISONS.split(";")):
        db.execute(statement)


@migrations()
def hands_on(db: sqlite_utils.Database) -> None:
    """Which part somebody has hands in, and until when."""
    db.execute(
        "CREATE TABLE hands_on (id INTEGER PRIMARY KEY, subject TEXT NOT NULL, start INTEGER NOT NULL, "
        "stop INTEGER NOT NULL)"
    )


@migrations()
def facing_of_planes(db: sqlite_utils.Database) -> None:
    """Where the plane of an array faces by the light of a day, beside where it is drawn."""
    db.execute(
        "CREATE TABLE facing_day (array TEXT NOT NULL, day TEXT NOT NULL, start INTEGER NOT NULL, "
        "stop INTEGER NOT NULL, evidence TEXT NOT NULL, tilt REAL NOT NULL, azimuth REAL NOT NULL, "
        "own_up REAL NOT NULL, own_across REAL NOT NULL, shared_up REAL NOT NULL, shared_across REAL NOT NULL, "
        "misfit REAL NOT NULL, excess REAL NOT NULL, drawn_tilt REAL NOT NULL, drawn_azimuth REAL NOT NULL, "
        "method TEXT NOT NULL, PRIMARY KEY (day, array)) WITHOUT ROWID"
    )


_WITHOUT_MODEL = """
-- Two arrays that are alike, in the same moments of a day's light: their volts and amps beside one another.
CREATE TABLE alike_day (one TEXT NOT NULL, other TEXT NOT NULL, day TEXT NOT NULL, start INTEGER NOT NULL,
  stop INTEGER NOT NULL, interval_ms INTEGER NOT NULL, light TEXT NOT NULL, bright INTEGER NOT NULL,
  apart_5 INTEGER NOT NULL, apart_10 INTEGER NOT NULL, one_low INTEGER NOT NULL, lit INTEGER NOT NULL,
  far INTEGER NOT NULL, volts_ratio REAL, amps_ratio REAL, low_volts_ratio REAL, low_amps_ratio REAL,
  free INTEGER NOT NULL, by_volts_wh REAL NOT NULL, by_amps_wh REAL NOT NULL, other_wh REAL NOT NULL,
  one_a_per_kw REAL, one_r2 REAL, other_a_per_kw REAL, other_r2 REAL, method TEXT NOT NULL,
  PRIMARY KEY (day, one, other)) WITHOUT ROWID;
-- A box over some days whose fan nobody hears: kelvins per watt, minutes, and the warmth at which it is held.
CREATE TABLE box_spell (enclosure TEXT NOT NULL, start INTEGER NOT NULL, stop INTEGER NOT NULL, days INTEGER NOT NULL,
  told TEXT NOT NULL, n INTEGER NOT NULL, r2 REAL, rmse_k REAL, thermal_resistance_k_per_w REAL,
  time_constant_min REAL, base_c REAL, ceiling_c REAL, ceiling_low_c REAL, ceiling_high_c REAL, held_min REAL NOT NULL,
  warmest_air_c REAL, method TEXT NOT NULL, PRIMARY KEY (enclosure, start)) WITHOUT ROWID;
-- The air that the box breathed when it was hottest.
ALTER TABLE enclosure_model ADD COLUMN peak_air_c REAL
"""


@migrations()
def comparisons_without_model(db: sqlite_utils.Database) -> None:
    """Two alike arrays beside one another, and a box beside its own past."""
    for statement in filter(str.strip, _WITHOUT_MODEL.split(";")):
        db.execute(statement)


def prepare(path: Path) -> None:
    """Create the store, or bring it up to date; a store of a later Noonmark is refused.

    What is to be changed is copied first, beside itself (`logger.backup.before_upgrade`). All changes are one
    transaction: an upgrade that is cut off leaves the store as it was.

    Raises
    ------
    StoreUnwritable
        It is there, and cannot be written now.
    StoreError
        The folder or the file cannot be used, a logger records into a store that has to change, or there is no room
        for the copy; the message says which.
    StoreTooNew
        A later Noonmark wrote it.
    """
    # What is held is let go after the connection, for the reason that `logger.store.claim` gives.
    with ExitStack() as held, ExitStack() as opened:
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            connection = sqlite3.connect(path, timeout=BUSY_MS / 1000, isolation_level=None)
            opened.enter_context(closing(connection))
        except (OSError, sqlite3.Error) as fault:
            kind = StoreUnwritable if _holds_something(path) else StoreError
            raise kind(f"store {path}: cannot be opened ({fault}); check the folder and its owner") from None
        try:
            # Page size and vacuum mode must be set before the first table exists; WAL before anyone else opens it. A
            # commit writes every page that it touches whole, and a logger's commits touch many pages a little: half the
            # usual page saves it a tenth of all writing, and costs readers nothing that can be measured.
            connection.execute(f"PRAGMA page_size = {PAGE_BYTES}")
            connection.execute("PRAGMA auto_vacuum = INCREMENTAL")
            for pragma in PRAGMAS:
                connection.execute(pragma)
            db = sqlite_utils.Database(connection)
            _refuse_newer(db, path)
            if migrations.pending(db):
                _bring_up_to_date(db, path, held)
        except sqlite3.Error as fault:
            if can_pass(fault) and _holds_something(path):
                raise StoreUnwritable(
                    f"store {path}: cannot be written now ({fault}); see that its disk has room, "
                    "and that this user may write there"
                ) from None
            raise StoreError(
                f"store {path}: {fault}; if it is damaged, 'noonmark record' moves it aside and salvages it"
            ) from None


def _holds_something(path: Path) -> bool:
    """Whether a store is there: then the settings name the right place, and what refuses it may pass."""
    try:
        return path.is_file() and path.stat().st_size > 0
    except OSError:
        return False


def _bring_up_to_date(db: sqlite_utils.Database, path: Path, held: ExitStack) -> None:
    with transaction(db.conn):
        # Someone else may have done it while this one waited for the lock.
        if not migrations.pending(db):
            return
        if migrations.applied(db):
            try:
                fcntl.flock(held.enter_context(path.open("rb")), fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                raise StoreError(
                    f"store {path}: a logger records into it, and this Noonmark has to change its tables first; "
                    "stop that logger, do this again, then start it with this Noonmark"
                ) from None
            before_upgrade(path, dt.datetime.now(dt.UTC))
        migrations.apply(db)


def _refuse_newer(db: sqlite_utils.Database, path: Path) -> None:
    known = {m.name for m in migrations.pending(db)} | {m.name for m in migrations.applied(db)}
    ours = {m.name for m in migrations._migrations}
    later = sorted(known - ours)
    if later:
        raise StoreTooNew(
            f"store {path}: a later Noonmark wrote it (it knows {', '.join(later)}); update this one, or use the other"
        )


def prepare_sound(path: Path, damaged: str | None = None) -> None:
    """Prepare the store; a damaged one is moved aside for a fresh one, which says so.

    Parameters
    ----------
    path : Path
    damaged : str, optional
        What is wrong with it, where that is known; else the file is looked at, for a bounded time.

    Raises
    ------
    StoreError, StoreTooNew
        See `prepare`.
    """
    why = damaged or damage.found(path)
    aside = damage.set_aside(path) if why and path.exists() else None
    prepare(path)
    if why and aside:
        damage.note(path, aside, why)
        sys.stderr.write(f"store {path}: damaged ({why}); it lies aside as {aside.name}, a fresh one is begun\n")


def main(arguments: list[str]) -> int:
    """Child process of ``record``: prepare the store named by the first argument."""
    path, *more = arguments
    try:
        prepare_sound(Path(path), more[1] if more[:1] == ["--damaged"] else None)
        damage.start_salvage(Path(path))
    except NoonmarkError as fault:
        sys.stderr.write(f"{fault}\n")
        return NOT_NOW if isinstance(fault, StoreUnwritable) else fault.exit_status
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
