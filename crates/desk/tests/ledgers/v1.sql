-- A ledger of schema 1, as released. Never changed.

-- Times are ISO 8601, to the second, without zone: the camera's clock for what was taken, the desk's for what was written.
-- Money is in hundredths of its currency.

CREATE TABLE body (
  id INTEGER PRIMARY KEY,
  make TEXT NOT NULL,
  model TEXT NOT NULL,
  serial TEXT,
  name TEXT UNIQUE,
  width_mm REAL,
  height_mm REAL,
  added TEXT NOT NULL
) STRICT;
CREATE UNIQUE INDEX body_is ON body (make, model, coalesce(serial, ''));

CREATE TABLE lens (
  id INTEGER PRIMARY KEY,
  model TEXT NOT NULL,
  serial TEXT
) STRICT;
CREATE UNIQUE INDEX lens_is ON lens (model, coalesce(serial, ''));

CREATE TABLE test_frame (
  id INTEGER PRIMARY KEY,
  body_id INTEGER NOT NULL REFERENCES body (id),
  lens_id INTEGER REFERENCES lens (id),
  digest TEXT NOT NULL UNIQUE,
  path TEXT NOT NULL,
  taken TEXT NOT NULL,
  taken_known INTEGER NOT NULL,
  recorded TEXT NOT NULL,
  f_number REAL,
  iso REAL,
  verdict TEXT NOT NULL,
  clear_to REAL,
  limited_by TEXT,
  floor_um REAL,
  stand_off_mm REAL,
  stand_off_sigma_mm REAL,
  motes INTEGER NOT NULL,
  showing INTEGER NOT NULL
) STRICT;
CREATE INDEX test_frame_of ON test_frame (body_id, taken);

-- The motes of a frame as a JSON list, in the order of its inspection.
CREATE TABLE chart (
  test_frame_id INTEGER PRIMARY KEY REFERENCES test_frame (id),
  motes TEXT NOT NULL
) STRICT;

-- Two frames of one body held against each other. fates: JSON list of [status, number before, number after, probability].
CREATE TABLE comparison (
  id INTEGER PRIMARY KEY,
  before_id INTEGER NOT NULL REFERENCES test_frame (id),
  after_id INTEGER NOT NULL REFERENCES test_frame (id),
  recorded TEXT NOT NULL,
  gone INTEGER NOT NULL,
  stayed INTEGER NOT NULL,
  moved INTEGER NOT NULL,
  new INTEGER NOT NULL,
  undecided INTEGER NOT NULL,
  residue INTEGER NOT NULL,
  fates TEXT NOT NULL,
  UNIQUE (before_id, after_id)
) STRICT;
CREATE INDEX comparison_after ON comparison (after_id);

CREATE TABLE pass (
  id INTEGER PRIMARY KEY,
  body_id INTEGER NOT NULL REFERENCES body (id),
  made TEXT NOT NULL,
  kind TEXT NOT NULL CHECK (kind IN ('blow', 'brush', 'swab')),
  swab TEXT,
  fluid TEXT,
  note TEXT,
  comparison_id INTEGER REFERENCES comparison (id),
  recorded TEXT NOT NULL
) STRICT;
CREATE INDEX pass_of ON pass (body_id, made);

-- Pictures taken and lenses changed since the entry before.
CREATE TABLE use (
  id INTEGER PRIMARY KEY,
  body_id INTEGER NOT NULL REFERENCES body (id),
  at TEXT NOT NULL,
  pictures INTEGER,
  lens_changes INTEGER
) STRICT;
CREATE INDEX use_of ON use (body_id, at);

CREATE TABLE shoot (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE,
  starts TEXT NOT NULL,
  ends TEXT NOT NULL,
  booked REAL NOT NULL,
  note TEXT,
  added TEXT NOT NULL
) STRICT;

CREATE TABLE shoot_body (
  shoot_id INTEGER NOT NULL REFERENCES shoot (id),
  body_id INTEGER NOT NULL REFERENCES body (id),
  PRIMARY KEY (shoot_id, body_id)
) STRICT;

CREATE TABLE delivery (
  id INTEGER PRIMARY KEY,
  body_id INTEGER REFERENCES body (id),
  shoot_id INTEGER REFERENCES shoot (id),
  kind TEXT NOT NULL CHECK (kind IN ('mended', 'signed_off')),
  path TEXT NOT NULL,
  output TEXT,
  recorded TEXT NOT NULL,
  lifted INTEGER,
  filled INTEGER,
  untouched INTEGER,
  verdict TEXT
) STRICT;
CREATE INDEX delivery_of ON delivery (body_id, recorded);

CREATE TABLE supply (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE,
  unit TEXT NOT NULL,
  low REAL
) STRICT;

-- Bought: above 0, with what was paid. Used: below 0.
CREATE TABLE supply_move (
  id INTEGER PRIMARY KEY,
  supply_id INTEGER NOT NULL REFERENCES supply (id),
  at TEXT NOT NULL,
  quantity REAL NOT NULL,
  paid INTEGER,
  currency TEXT,
  pass_id INTEGER REFERENCES pass (id),
  note TEXT
) STRICT;
CREATE INDEX supply_move_of ON supply_move (supply_id);

-- What a workshop asks for a cleaning.
CREATE TABLE quote (
  id INTEGER PRIMARY KEY,
  body_id INTEGER NOT NULL REFERENCES body (id),
  at TEXT NOT NULL,
  amount INTEGER NOT NULL,
  currency TEXT NOT NULL,
  workshop TEXT
) STRICT;

INSERT INTO body VALUES (1, 'Brennholm', 'K2', NULL, 'Field body', 36.0, 24.0, '2030-01-01T00:00:00');
INSERT INTO lens VALUES (1, 'Ornell 50mm f/2', NULL);
INSERT INTO test_frame VALUES (1, 1, 1, 'aa', '/walls/1.dng', '2030-01-01T08:00:00', 1, '2030-01-01T09:00:00', 22.0, 100.0, 'fit', 8.0, 'mote', 6.5, 1.5, 0.02, 2, 2);
INSERT INTO test_frame VALUES (2, 1, 1, 'bb', '/walls/2.dng', '2030-01-02T08:00:00', 1, '2030-01-02T09:00:00', 22.0, 100.0, 'fit', 16.0, 'mote', 6.5, 1.5, 0.02, 2, 2);
INSERT INTO chart VALUES (1, '[{"x_mm":1.0,"y_mm":2.0,"um":30.0,"from":11.0,"kind":"grain","under_glass":false},{"x_mm":3.0,"y_mm":2.0,"um":20.0,"from":22.0,"kind":"grain","under_glass":false}]');
INSERT INTO chart VALUES (2, '[{"x_mm":3.0,"y_mm":2.0,"um":20.0,"from":22.0,"kind":"grain","under_glass":false},{"x_mm":5.0,"y_mm":2.0,"um":25.0,"from":16.0,"kind":"grain","under_glass":false}]');
INSERT INTO comparison VALUES (1, 1, 2, '2030-01-02T09:00:00', 1, 1, 0, 1, 0, 0, '[["gone",0,null,1.0],["stayed",1,0,1.0],["new",null,1,1.0]]');
INSERT INTO pass VALUES (1, 1, '2030-01-01T12:00:00', 'swab', NULL, NULL, NULL, 1, '2030-01-01T12:00:00');
PRAGMA application_id = 1299149925;
PRAGMA user_version = 1;
