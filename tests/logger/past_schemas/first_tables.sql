BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'noonmark','first_tables','2026-06-09 00:00:00+00:00');
CREATE TABLE assessed (day TEXT PRIMARY KEY, start INTEGER NOT NULL, stop INTEGER NOT NULL,
  settings_hash TEXT NOT NULL, first_light INTEGER, noon INTEGER NOT NULL, last_light INTEGER,
  method TEXT NOT NULL) WITHOUT ROWID;
INSERT INTO "assessed" VALUES('2026-06-08',1780876800000,1780963200000,'a1',NULL,1780920000000,NULL,'1');
CREATE TABLE bank_state (bank TEXT NOT NULL, at INTEGER NOT NULL, start INTEGER NOT NULL, stop INTEGER NOT NULL,
  low_v REAL, low_at INTEGER, high_v REAL, full_at INTEGER, charge_ah REAL, state_of_charge REAL, autonomy_h REAL,
  method TEXT NOT NULL, PRIMARY KEY (bank, at)) WITHOUT ROWID;
CREATE TABLE channel (id INTEGER PRIMARY KEY, name TEXT NOT NULL UNIQUE, unit TEXT NOT NULL);
INSERT INTO "channel" VALUES(1,'bank.house.voltage','V');
INSERT INTO "channel" VALUES(2,'controller.cabin.stage','text');
CREATE TABLE day (t INTEGER NOT NULL, channel INTEGER NOT NULL, mean REAL NOT NULL, low REAL NOT NULL,
  high REAL NOT NULL, n INTEGER NOT NULL, PRIMARY KEY (channel, t)) WITHOUT ROWID;
INSERT INTO "day" VALUES(1780963200000,1,25.45,25.4,25.5,2);
CREATE TABLE enclosure_model (enclosure TEXT NOT NULL, at INTEGER NOT NULL, start INTEGER NOT NULL,
  stop INTEGER NOT NULL,
  fan TEXT NOT NULL, thermal_resistance_k_per_w REAL, low_k_per_w REAL, high_k_per_w REAL, peak_c REAL, peak_at INTEGER,
  limit_c REAL NOT NULL, over_limit_min REAL, loss_w REAL, n INTEGER NOT NULL, method TEXT NOT NULL,
  PRIMARY KEY (enclosure, at, fan)) WITHOUT ROWID;
CREATE TABLE event (id INTEGER PRIMARY KEY, t INTEGER NOT NULL, session INTEGER, source TEXT, kind TEXT NOT NULL,
  text TEXT NOT NULL);
INSERT INTO "event" VALUES(1,1781000003000,1,'cabin controller','gap','12 s');
CREATE TABLE expected (array TEXT NOT NULL, t INTEGER NOT NULL, interval_ms INTEGER NOT NULL, measured_w REAL,
  expected_w REAL, low_w REAL, high_w REAL, plane_wm2 REAL, module_c REAL, method TEXT NOT NULL,
  PRIMARY KEY (array, t)) WITHOUT ROWID;
CREATE TABLE finding (id INTEGER PRIMARY KEY, rule TEXT NOT NULL, subject TEXT NOT NULL, state TEXT NOT NULL,
  priority TEXT NOT NULL, since INTEGER NOT NULL, until INTEGER, summary TEXT NOT NULL, evidence TEXT NOT NULL,
  causes TEXT NOT NULL, method TEXT NOT NULL, UNIQUE (rule, subject, since));
INSERT INTO "finding" VALUES(1,'loop-resistance','cable.gantry home run','acknowledged','high',1780876800000,NULL,'much','{}','[]','1');
CREATE TABLE followed (path TEXT NOT NULL, source TEXT NOT NULL, position INTEGER NOT NULL, opening TEXT NOT NULL,
  before TEXT NOT NULL, state TEXT NOT NULL, PRIMARY KEY (path, source)) WITHOUT ROWID;
INSERT INTO "followed" VALUES('inbox/a.csv','history',120,'d1','d2','{}');
CREATE TABLE hour (t INTEGER NOT NULL, channel INTEGER NOT NULL, mean REAL NOT NULL, low REAL NOT NULL,
  high REAL NOT NULL, n INTEGER NOT NULL, PRIMARY KEY (channel, t)) WITHOUT ROWID;
INSERT INTO "hour" VALUES(1780999200000,1,25.45,25.4,25.5,2);
CREATE TABLE label (channel INTEGER NOT NULL, code INTEGER NOT NULL, name TEXT NOT NULL,
  PRIMARY KEY (channel, code)) WITHOUT ROWID;
INSERT INTO "label" VALUES(2,0,'bulk');
CREATE TABLE logbook (id INTEGER PRIMARY KEY, t INTEGER NOT NULL, author TEXT NOT NULL, text TEXT NOT NULL,
  tags TEXT NOT NULL DEFAULT '');
INSERT INTO "logbook" VALUES(1,1781000004000,'mate','plug dried','cable.gantry home run');
CREATE TABLE loop_resistance (cable TEXT NOT NULL, at INTEGER NOT NULL, start INTEGER NOT NULL, stop INTEGER NOT NULL,
  ohm REAL, ohm_low REAL, ohm_high REAL, intercept_v REAL, design_ohm REAL NOT NULL, current_a REAL, loss_wh REAL,
  drop_percent REAL, n INTEGER NOT NULL, method TEXT NOT NULL, PRIMARY KEY (cable, at)) WITHOUT ROWID;
CREATE TABLE mark (t INTEGER NOT NULL, channel INTEGER NOT NULL, reason TEXT NOT NULL,
  PRIMARY KEY (t, channel, reason)) WITHOUT ROWID;
INSERT INTO "mark" VALUES(1781000001000,1,'jump');
CREATE TABLE minute (t INTEGER NOT NULL, channel INTEGER NOT NULL, mean REAL NOT NULL, low REAL NOT NULL,
  high REAL NOT NULL, n INTEGER NOT NULL, PRIMARY KEY (t, channel)) WITHOUT ROWID;
INSERT INTO "minute" VALUES(1780999980000,1,25.45,25.4,25.5,2);
CREATE TABLE reject (id INTEGER PRIMARY KEY, t INTEGER NOT NULL, source TEXT NOT NULL, raw BLOB NOT NULL,
  reason TEXT NOT NULL);
INSERT INTO "reject" VALUES(1,1781000002000,'cabin controller',X'563D782C','not a number');
CREATE TABLE sample (t INTEGER NOT NULL, channel INTEGER NOT NULL, value REAL NOT NULL,
  PRIMARY KEY (t, channel)) WITHOUT ROWID;
INSERT INTO "sample" VALUES(1781000000000,1,25.4);
INSERT INTO "sample" VALUES(1781000000000,2,0.0);
INSERT INTO "sample" VALUES(1781000001000,1,25.5);
CREATE TABLE session (id INTEGER PRIMARY KEY, boot_id TEXT NOT NULL, started INTEGER NOT NULL,
  monotonic_ns INTEGER NOT NULL, stopped_cleanly INTEGER NOT NULL DEFAULT 0, clock TEXT NOT NULL);
INSERT INTO "session" VALUES(1,'1b4e28ba-2fa1-11d2-883f-0016d3cca427',1781000000000,5000000000,0,'untested');
CREATE TABLE settings (id INTEGER PRIMARY KEY, start INTEGER NOT NULL, stop INTEGER, hash TEXT NOT NULL,
  text TEXT NOT NULL);
INSERT INTO "settings" VALUES(1,1781000000000,NULL,'a1','[site]');
CREATE TABLE source (name TEXT PRIMARY KEY, state TEXT NOT NULL, last_seen INTEGER,
  readings INTEGER NOT NULL DEFAULT 0, rejects INTEGER NOT NULL DEFAULT 0) WITHOUT ROWID;
INSERT INTO "source" VALUES('cabin controller','heard',1781000001000,3,1);
CREATE TABLE span (channel INTEGER NOT NULL, start INTEGER NOT NULL, stop INTEGER NOT NULL, interval_ms INTEGER,
  label TEXT NOT NULL, source TEXT NOT NULL, PRIMARY KEY (channel, start, source)) WITHOUT ROWID;
INSERT INTO "span" VALUES(1,1781100000000,1781200000000,60000,'start','history');
CREATE TABLE stale (hour INTEGER PRIMARY KEY, seq INTEGER NOT NULL);
INSERT INTO "stale" VALUES(1780999200000,2);
CREATE TABLE state (array TEXT NOT NULL, start INTEGER NOT NULL, stop INTEGER NOT NULL, state TEXT NOT NULL,
  evidence TEXT NOT NULL, method TEXT NOT NULL, PRIMARY KEY (array, start)) WITHOUT ROWID;
CREATE TABLE yield_day (array TEXT NOT NULL, day TEXT NOT NULL, start INTEGER NOT NULL, stop INTEGER NOT NULL,
  rated_w REAL NOT NULL, measured_wh REAL, expected_wh REAL, expected_low_wh REAL, expected_high_wh REAL,
  judged_measured_wh REAL, judged_expected_wh REAL, judged_low_wh REAL, judged_high_wh REAL,
  curtailed_wh REAL, covered_wh REAL, performance_ratio REAL, plane_wh_m2 REAL, daylight_min REAL NOT NULL,
  known_min REAL NOT NULL, judging_min REAL NOT NULL, limited_wh REAL, completeness REAL NOT NULL,
  verdict TEXT NOT NULL,
  cause TEXT, states TEXT NOT NULL, features TEXT NOT NULL, evidence TEXT NOT NULL, method TEXT NOT NULL,
  PRIMARY KEY (array, day)) WITHOUT ROWID;
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
COMMIT;
