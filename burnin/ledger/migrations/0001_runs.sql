-- Version 1. One row for each run; everything but the two tables of what was forgotten follows from the journals.
CREATE TABLE runs (
  run_id TEXT PRIMARY KEY,
  number BIGINT NOT NULL UNIQUE, -- 63 bits of the digest of run_id, which the word index of SQLite needs
  began_ns BIGINT NOT NULL,
  utc_offset_s BIGINT NOT NULL,
  span_s DOUBLE PRECISION NOT NULL,
  standing TEXT NOT NULL,
  exit_code BIGINT NOT NULL,
  first_look BIGINT NOT NULL,
  rehearsal BIGINT NOT NULL,
  waivers BIGINT NOT NULL,
  wrong_results BIGINT NOT NULL,
  cut_off TEXT NOT NULL,
  plan TEXT NOT NULL,
  stages_sha256 TEXT NOT NULL,
  order_no TEXT NOT NULL,
  customer TEXT NOT NULL,
  serial TEXT NOT NULL,
  machine TEXT NOT NULL,
  retest_of TEXT NOT NULL,
  note TEXT NOT NULL,
  workshop TEXT NOT NULL,
  software TEXT NOT NULL,
  machine_sha256 TEXT NOT NULL,
  cpu TEXT NOT NULL,
  cooler TEXT NOT NULL,
  housing TEXT NOT NULL,
  board TEXT NOT NULL,
  journal_lines BIGINT NOT NULL,
  journal_sha256 TEXT NOT NULL,
  journal_trouble TEXT NOT NULL,
  folder TEXT NOT NULL,
  words TEXT NOT NULL,
  erased BIGINT NOT NULL
);
CREATE INDEX runs_began ON runs (began_ns, run_id);
CREATE INDEX runs_order ON runs (order_no);
CREATE INDEX runs_customer ON runs (customer);
CREATE INDEX runs_serial ON runs (serial);
CREATE INDEX runs_standing ON runs (standing, began_ns);
CREATE INDEX runs_machine ON runs (machine_sha256, stages_sha256);
CREATE INDEX runs_family ON runs (cpu, cooler, housing, board);

CREATE TABLE parts (
  run_id TEXT NOT NULL,
  place BIGINT NOT NULL,
  part TEXT NOT NULL,
  name TEXT NOT NULL,
  serial TEXT NOT NULL,
  found BIGINT NOT NULL,
  PRIMARY KEY (run_id, place)
);
CREATE INDEX parts_serial ON parts (serial);

CREATE TABLE figures (
  run_id TEXT NOT NULL,
  place BIGINT NOT NULL,
  stage TEXT NOT NULL,
  name TEXT NOT NULL,
  label TEXT NOT NULL,
  unit TEXT NOT NULL,
  value DOUBLE PRECISION NOT NULL,
  u DOUBLE PRECISION,
  df DOUBLE PRECISION,
  PRIMARY KEY (run_id, place)
);
CREATE INDEX figures_name ON figures (name, stage, run_id, value, unit);

CREATE TABLE findings (
  run_id TEXT NOT NULL,
  place BIGINT NOT NULL,
  criterion TEXT NOT NULL,
  slug TEXT NOT NULL,
  outcome TEXT NOT NULL,
  required BIGINT NOT NULL,
  subject TEXT NOT NULL,
  stage TEXT NOT NULL,
  PRIMARY KEY (run_id, place)
);

-- Who was forgotten: no name, only a keyed digest of it, so that a later import of an old journal stays erased.
CREATE TABLE forgotten (
  digest TEXT PRIMARY KEY,
  before_ns BIGINT NOT NULL
);
CREATE TABLE forgotten_runs (
  run_id TEXT PRIMARY KEY
);
CREATE TABLE digest_key (
  hex TEXT PRIMARY KEY
);
