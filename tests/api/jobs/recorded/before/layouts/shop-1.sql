BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'lobewright.shop','m001_measurements','2026-11-28 17:50:50.923921+00:00');
CREATE TABLE "measurements" (
   "id" INTEGER PRIMARY KEY,
   "job_id" INTEGER,
   "what" TEXT NOT NULL,
   "touches" TEXT NOT NULL,
   "gauge" TEXT NOT NULL,
   "run_id" INTEGER,
   "imported_file" TEXT,
   "start_ns" INTEGER NOT NULL,
   "end_ns" INTEGER,
   "state" TEXT NOT NULL,
   "started_at" TEXT NOT NULL,
   "ended_at" TEXT,
   "settings" TEXT NOT NULL,
   "facts" TEXT,
   "result" TEXT,
   "detail" TEXT,
   "error" TEXT,
   "sentence" TEXT,
   "program" TEXT
) STRICT;
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE INDEX "idx_measurements_state"
    ON "measurements" ("state");
CREATE INDEX "idx_measurements_job_id"
    ON "measurements" ("job_id");
COMMIT;
PRAGMA user_version = 0;
PRAGMA application_id = 0;
