BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'lobewright.shop','m001_measurements','2026-11-29 12:03:03.322521+00:00');
INSERT INTO "_sqlite_migrations" VALUES(2,'lobewright.shop','m002_jobs','2026-11-29 12:03:03.324560+00:00');
INSERT INTO "_sqlite_migrations" VALUES(3,'lobewright.shop','m003_request_keys','2026-11-29 12:03:03.325431+00:00');
INSERT INTO "_sqlite_migrations" VALUES(4,'lobewright.shop','m004_from_elsewhere','2026-11-29 12:03:03.328401+00:00');
INSERT INTO "_sqlite_migrations" VALUES(5,'lobewright.shop','m005_shop_settings','2026-11-29 12:03:03.331825+00:00');
INSERT INTO "_sqlite_migrations" VALUES(6,'lobewright.shop','m006_changes','2026-11-29 12:03:03.333256+00:00');
INSERT INTO "_sqlite_migrations" VALUES(7,'lobewright.shop','m007_parts','2026-11-29 12:03:03.334301+00:00');
INSERT INTO "_sqlite_migrations" VALUES(8,'lobewright.shop','m008_shared','2026-11-29 12:03:03.336818+00:00');
CREATE TABLE "active_job" (
   "id" INTEGER PRIMARY KEY,
   "job_id" INTEGER NOT NULL,
   "at" TEXT NOT NULL,
   "by" TEXT
) STRICT;
CREATE TABLE "cards" (
   "id" INTEGER PRIMARY KEY,
   "name" TEXT NOT NULL,
   "body" TEXT NOT NULL,
   "at" TEXT NOT NULL,
   "by" TEXT NOT NULL,
   "retired_at" TEXT
) STRICT;
CREATE TABLE changes (number INTEGER PRIMARY KEY AUTOINCREMENT, kind TEXT NOT NULL, key TEXT NOT NULL, UNIQUE (kind, key));
CREATE TABLE "engines" (
   "id" INTEGER PRIMARY KEY,
   "name" TEXT NOT NULL,
   "body" TEXT NOT NULL,
   "at" TEXT NOT NULL,
   "by" TEXT NOT NULL,
   "retired_at" TEXT
) STRICT;
CREATE TABLE "guide_stages" (
   "job_id" INTEGER PRIMARY KEY,
   "step" TEXT NOT NULL,
   "stage" TEXT NOT NULL,
   "body" TEXT NOT NULL,
   "at" TEXT NOT NULL,
   "by" TEXT
) STRICT;
CREATE TABLE "hand_overs" (
   "id" INTEGER PRIMARY KEY,
   "job_id" INTEGER NOT NULL,
   "bench" TEXT NOT NULL,
   "state" TEXT NOT NULL,
   "number" INTEGER NOT NULL,
   "by" TEXT NOT NULL,
   "at" TEXT NOT NULL
) STRICT;
CREATE TABLE "job_adoptions" (
   "measurement_id" INTEGER PRIMARY KEY,
   "job_id" INTEGER NOT NULL,
   "fact" INTEGER,
   "step" TEXT,
   "code" TEXT,
   "sentence" TEXT NOT NULL,
   "at" TEXT NOT NULL
) STRICT;
CREATE TABLE "job_facts" (
   "job_id" INTEGER,
   "number" INTEGER,
   "at" TEXT NOT NULL,
   "by" TEXT NOT NULL,
   "kind" TEXT NOT NULL,
   "what" TEXT NOT NULL,
   "source" TEXT,
   PRIMARY KEY ("job_id", "number")
) STRICT;
CREATE TABLE "jobs" (
   "id" INTEGER PRIMARY KEY,
   "reference" TEXT NOT NULL,
   "customer" TEXT,
   "builder" TEXT,
   "engine_id" INTEGER,
   "card_id" INTEGER,
   "body" TEXT NOT NULL,
   "at" TEXT NOT NULL,
   "by" TEXT NOT NULL,
   "now_step" TEXT,
   "now_title" TEXT,
   "signed_at" TEXT,
   "signed_by" TEXT,
   "changed_at" TEXT NOT NULL,
   "deleted_at" TEXT,
   "deleted_by" TEXT
, "facts_from_elsewhere" INTEGER) STRICT;
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
CREATE TABLE "parts" (
   "id" INTEGER PRIMARY KEY,
   "at" TEXT NOT NULL,
   "measured" TEXT NOT NULL,
   "entry" TEXT NOT NULL,
   "told" TEXT NOT NULL,
   "job_id" INTEGER,
   "fact" INTEGER,
   "gauge" TEXT,
   "run_id" INTEGER,
   "start_ns" INTEGER,
   "end_ns" INTEGER,
   "facts" TEXT,
   "thrown_at" TEXT,
   "program" TEXT
) STRICT;
CREATE TABLE "request_keys" (
   "name" TEXT PRIMARY KEY NOT NULL,
   "body_sha256" TEXT NOT NULL,
   "at" TEXT NOT NULL,
   "status" INTEGER,
   "media_type" TEXT,
   "answer" BLOB
) STRICT;
CREATE TABLE "shop_settings" (
   "name" TEXT PRIMARY KEY,
   "value" TEXT NOT NULL,
   "at" TEXT NOT NULL
) STRICT;
CREATE TABLE "versions" (
   "sha256" TEXT PRIMARY KEY,
   "kind" TEXT NOT NULL,
   "item" TEXT NOT NULL,
   "parents" TEXT NOT NULL,
   "body" TEXT NOT NULL,
   "bench" TEXT NOT NULL,
   "by" TEXT NOT NULL,
   "at" TEXT NOT NULL,
   "row" INTEGER NOT NULL
) STRICT;
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE INDEX "idx_measurements_state"
    ON "measurements" ("state");
CREATE INDEX "idx_measurements_job_id"
    ON "measurements" ("job_id");
CREATE INDEX "idx_engines_name"
    ON "engines" ("name");
CREATE INDEX "idx_cards_name"
    ON "cards" ("name");
CREATE INDEX "idx_jobs_changed_at"
    ON "jobs" ("changed_at");
CREATE INDEX "idx_jobs_reference"
    ON "jobs" ("reference");
CREATE INDEX "idx_job_adoptions_job_id"
    ON "job_adoptions" ("job_id");
CREATE INDEX "idx_request_keys_at"
    ON "request_keys" ("at");
CREATE TRIGGER engines_insert_noted AFTER INSERT ON engines BEGIN DELETE FROM changes WHERE kind = 'engines' AND key = CAST(NEW.id AS TEXT); INSERT INTO changes (kind, key) VALUES ('engines', CAST(NEW.id AS TEXT)); END;
CREATE TRIGGER engines_update_noted AFTER UPDATE ON engines BEGIN DELETE FROM changes WHERE kind = 'engines' AND key = CAST(NEW.id AS TEXT); INSERT INTO changes (kind, key) VALUES ('engines', CAST(NEW.id AS TEXT)); END;
CREATE TRIGGER cards_insert_noted AFTER INSERT ON cards BEGIN DELETE FROM changes WHERE kind = 'cards' AND key = CAST(NEW.id AS TEXT); INSERT INTO changes (kind, key) VALUES ('cards', CAST(NEW.id AS TEXT)); END;
CREATE TRIGGER cards_update_noted AFTER UPDATE ON cards BEGIN DELETE FROM changes WHERE kind = 'cards' AND key = CAST(NEW.id AS TEXT); INSERT INTO changes (kind, key) VALUES ('cards', CAST(NEW.id AS TEXT)); END;
CREATE TRIGGER jobs_insert_noted AFTER INSERT ON jobs BEGIN DELETE FROM changes WHERE kind = 'jobs' AND key = CAST(NEW.id AS TEXT); INSERT INTO changes (kind, key) VALUES ('jobs', CAST(NEW.id AS TEXT)); END;
CREATE TRIGGER jobs_update_noted AFTER UPDATE ON jobs BEGIN DELETE FROM changes WHERE kind = 'jobs' AND key = CAST(NEW.id AS TEXT); INSERT INTO changes (kind, key) VALUES ('jobs', CAST(NEW.id AS TEXT)); END;
CREATE TRIGGER job_facts_insert_noted AFTER INSERT ON job_facts BEGIN DELETE FROM changes WHERE kind = 'job_facts' AND key = CAST(NEW.job_id AS TEXT) || '/' || CAST(NEW.number AS TEXT); INSERT INTO changes (kind, key) VALUES ('job_facts', CAST(NEW.job_id AS TEXT) || '/' || CAST(NEW.number AS TEXT)); END;
CREATE TRIGGER job_facts_update_noted AFTER UPDATE ON job_facts BEGIN DELETE FROM changes WHERE kind = 'job_facts' AND key = CAST(NEW.job_id AS TEXT) || '/' || CAST(NEW.number AS TEXT); INSERT INTO changes (kind, key) VALUES ('job_facts', CAST(NEW.job_id AS TEXT) || '/' || CAST(NEW.number AS TEXT)); END;
CREATE TRIGGER job_adoptions_insert_noted AFTER INSERT ON job_adoptions BEGIN DELETE FROM changes WHERE kind = 'job_adoptions' AND key = CAST(NEW.measurement_id AS TEXT); INSERT INTO changes (kind, key) VALUES ('job_adoptions', CAST(NEW.measurement_id AS TEXT)); END;
CREATE TRIGGER job_adoptions_update_noted AFTER UPDATE ON job_adoptions BEGIN DELETE FROM changes WHERE kind = 'job_adoptions' AND key = CAST(NEW.measurement_id AS TEXT); INSERT INTO changes (kind, key) VALUES ('job_adoptions', CAST(NEW.measurement_id AS TEXT)); END;
CREATE TRIGGER measurements_insert_noted AFTER INSERT ON measurements BEGIN DELETE FROM changes WHERE kind = 'measurements' AND key = CAST(NEW.id AS TEXT); INSERT INTO changes (kind, key) VALUES ('measurements', CAST(NEW.id AS TEXT)); END;
CREATE TRIGGER measurements_update_noted AFTER UPDATE ON measurements BEGIN DELETE FROM changes WHERE kind = 'measurements' AND key = CAST(NEW.id AS TEXT); INSERT INTO changes (kind, key) VALUES ('measurements', CAST(NEW.id AS TEXT)); END;
CREATE INDEX "idx_parts_job_id"
    ON "parts" ("job_id");
CREATE TRIGGER parts_insert_noted AFTER INSERT ON parts BEGIN DELETE FROM changes WHERE kind = 'parts' AND key = CAST(NEW.id AS TEXT); INSERT INTO changes (kind, key) VALUES ('parts', CAST(NEW.id AS TEXT)); END;
CREATE TRIGGER parts_update_noted AFTER UPDATE ON parts BEGIN DELETE FROM changes WHERE kind = 'parts' AND key = CAST(NEW.id AS TEXT); INSERT INTO changes (kind, key) VALUES ('parts', CAST(NEW.id AS TEXT)); END;
CREATE INDEX "idx_versions_kind_row"
    ON "versions" ("kind", "row");
CREATE INDEX "idx_versions_item"
    ON "versions" ("item");
CREATE TRIGGER versions_insert_noted AFTER INSERT ON versions BEGIN DELETE FROM changes WHERE kind = 'versions' AND key = CAST(NEW.sha256 AS TEXT); INSERT INTO changes (kind, key) VALUES ('versions', CAST(NEW.sha256 AS TEXT)); END;
CREATE TRIGGER versions_update_noted AFTER UPDATE ON versions BEGIN DELETE FROM changes WHERE kind = 'versions' AND key = CAST(NEW.sha256 AS TEXT); INSERT INTO changes (kind, key) VALUES ('versions', CAST(NEW.sha256 AS TEXT)); END;
CREATE INDEX "idx_hand_overs_job_id"
    ON "hand_overs" ("job_id");
CREATE TRIGGER hand_overs_insert_noted AFTER INSERT ON hand_overs BEGIN DELETE FROM changes WHERE kind = 'hand_overs' AND key = CAST(NEW.id AS TEXT); INSERT INTO changes (kind, key) VALUES ('hand_overs', CAST(NEW.id AS TEXT)); END;
CREATE TRIGGER hand_overs_update_noted AFTER UPDATE ON hand_overs BEGIN DELETE FROM changes WHERE kind = 'hand_overs' AND key = CAST(NEW.id AS TEXT); INSERT INTO changes (kind, key) VALUES ('hand_overs', CAST(NEW.id AS TEXT)); END;
DELETE FROM "sqlite_sequence";
INSERT INTO "sqlite_sequence" VALUES('changes',0);
COMMIT;
PRAGMA user_version = 0;
PRAGMA application_id = 0;
