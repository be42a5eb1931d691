"""The tables of an archive, as a list of changes that are never altered once they are out.

Every bench has a part of each table, and the right to add to its own part alone: rights of PostgreSQL hold it, not this
program. Rows are added and never changed, so nobody but the archive's owner has a right to change or remove any.
(Row-level security would hold it as well, but ``COPY`` does not go into a table that has it.)
"""

from __future__ import annotations

PARTED = ("documents", "blocks", "signoffs")

FIRST = """
CREATE SCHEMA lobewright;
REVOKE ALL ON SCHEMA lobewright FROM PUBLIC;
CREATE TABLE lobewright.migrations (number integer PRIMARY KEY, at timestamptz NOT NULL DEFAULT now());
CREATE TABLE lobewright.benches (
    name text PRIMARY KEY,
    role name NOT NULL UNIQUE,
    identity uuid,
    at timestamptz NOT NULL DEFAULT now()
);
CREATE TABLE lobewright.documents (
    bench text NOT NULL,
    kind text NOT NULL,
    key text NOT NULL,
    version bigint NOT NULL,
    sha256 bytea NOT NULL,
    body bytea NOT NULL,
    came_at timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (bench, kind, key, version)
) PARTITION BY LIST (bench);
CREATE TABLE lobewright.blocks (
    bench text NOT NULL,
    run_id bigint NOT NULL,
    channel_id bigint NOT NULL,
    first bigint NOT NULL,
    lines bigint NOT NULL,
    segment bigint NOT NULL,
    kept bigint NOT NULL,
    start_ns bigint NOT NULL,
    end_ns bigint NOT NULL,
    tail_ns bigint NOT NULL,
    tail_lines bigint NOT NULL,
    sha256 bytea NOT NULL,
    data bytea NOT NULL,
    PRIMARY KEY (bench, channel_id, first, lines)
) PARTITION BY LIST (bench);
ALTER TABLE lobewright.blocks ALTER COLUMN data SET STORAGE EXTERNAL;
CREATE TABLE lobewright.signoffs (
    bench text NOT NULL,
    number bigint NOT NULL,
    fact text NOT NULL,
    before bytea NOT NULL,
    seal bytea NOT NULL,
    manifest bytea NOT NULL,
    came_at timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (bench, number),
    UNIQUE (bench, fact)
) PARTITION BY LIST (bench);

CREATE FUNCTION lobewright.claim(wanted text, mine uuid) RETURNS TABLE (name text, identity uuid)
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
BEGIN
    UPDATE lobewright.benches b SET identity = mine
        WHERE b.role = session_user AND b.name = wanted AND b.identity IS NULL;
    RETURN QUERY SELECT b.name, b.identity FROM lobewright.benches b WHERE b.role = session_user;
END $$;
REVOKE ALL ON FUNCTION lobewright.claim FROM PUBLIC;

CREATE FUNCTION lobewright.in_the_chain() RETURNS trigger
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
BEGIN
    IF NEW.seal <> sha256(NEW.before || NEW.manifest) OR NEW.before IS DISTINCT FROM coalesce(
        (SELECT s.seal FROM lobewright.signoffs s WHERE s.bench = NEW.bench AND s.number = NEW.number - 1),
        CASE WHEN NEW.number = 1 THEN ''::bytea END) THEN
        RAISE EXCEPTION 'sign-off % of % does not go on from the one before', NEW.number, NEW.bench
            USING ERRCODE = 'check_violation';
    END IF;
    RETURN NEW;
END $$;
REVOKE ALL ON FUNCTION lobewright.in_the_chain FROM PUBLIC;
CREATE TRIGGER in_the_chain BEFORE INSERT ON lobewright.signoffs
    FOR EACH ROW EXECUTE FUNCTION lobewright.in_the_chain();
"""

SECOND = """
CREATE TABLE lobewright.archive (identity uuid NOT NULL DEFAULT gen_random_uuid());
INSERT INTO lobewright.archive DEFAULT VALUES;
CREATE SEQUENCE lobewright.arrivals;
ALTER TABLE lobewright.documents ADD COLUMN arrived bigint NOT NULL DEFAULT nextval('lobewright.arrivals');
CREATE INDEX documents_arrived ON lobewright.documents (bench, arrived);

CREATE UNLOGGED TABLE lobewright.live (
    bench text PRIMARY KEY REFERENCES lobewright.benches,
    at timestamptz NOT NULL,
    told jsonb NOT NULL CHECK (length(told::text) < 8000)
);
CREATE FUNCTION lobewright.tell(wanted text, mine uuid, word jsonb) RETURNS boolean
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
BEGIN
    INSERT INTO lobewright.live AS l (bench, at, told)
        SELECT b.name, clock_timestamp(), word FROM lobewright.benches b
        WHERE b.role = session_user AND b.name = wanted AND b.identity = mine
        ON CONFLICT (bench) DO UPDATE SET at = EXCLUDED.at, told = EXCLUDED.told;
    RETURN FOUND;
END $$;
REVOKE ALL ON FUNCTION lobewright.tell FROM PUBLIC;
"""
"""Documents are numbered as they arrive, so that whoever copies them asks for the later ones alone: of one bench they
arrive one after another, for only one connection at a time holds its place. And what a bench says of itself now, in the
one row of its own that it may replace, and by this function alone."""

_HAND_OVER = """@CREATE@ FUNCTION lobewright.hand_over(
    wanted text, mine uuid, job bigint, upto bigint, onto text, called text, who text, content bytea
) RETURNS TABLE (number bigint, at timestamptz)
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    gone lobewright.handed;
BEGIN
    PERFORM 1 FROM lobewright.benches b WHERE b.role = session_user AND b.name = wanted AND b.identity = mine;
    IF NOT FOUND THEN
        RAISE EXCEPTION 'the archive knows another folder under the name %', wanted USING ERRCODE = 'insufficient_privilege';
    END IF;
    PERFORM 1 FROM lobewright.benches b WHERE b.name = onto AND b.name <> wanted;
    IF NOT FOUND THEN
        RAISE EXCEPTION 'the archive knows no other bench %', onto USING ERRCODE = 'check_violation';
    END IF;
    PERFORM pg_advisory_xact_lock(hashtextextended('lobewright/handed/' || wanted, 0));
    SELECT * INTO gone FROM lobewright.handed h WHERE h.bench = wanted AND h.job_id = job@STANDS@;
    IF FOUND THEN
        RAISE EXCEPTION 'the job was handed over to % before', gone.to_bench USING ERRCODE = 'check_violation';
    END IF;
    PERFORM 1 FROM lobewright.documents d WHERE d.bench = wanted
        AND CASE WHEN d.kind = 'job_facts' AND d.key ~ '^[0-9]{1,18}/[0-9]{1,18}$'
            THEN split_part(d.key, '/', 1) = job::text AND split_part(d.key, '/', 2)::bigint > upto END;
    IF FOUND THEN
        RAISE EXCEPTION 'more was done in this job than this folder knows of' USING ERRCODE = 'check_violation';
    END IF;
    PERFORM pg_notify('lobewright', onto);
    RETURN QUERY INSERT INTO lobewright.handed AS h (bench, job_id, facts, reference, by_whom, to_bench, file)
        VALUES (wanted, job, upto, called, who, onto, content) RETURNING h.number, h.at;
END $$;
"""
_STILL_HELD = """@CREATE@ FUNCTION lobewright.still_held() RETURNS trigger
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    gone lobewright.handed;
BEGIN
    IF NEW.key !~ '^[0-9]{1,18}/[0-9]{1,18}$' THEN
        RETURN NEW;
    END IF;
    PERFORM pg_advisory_xact_lock_shared(hashtextextended('lobewright/handed/' || NEW.bench, 0));
    SELECT * INTO gone FROM lobewright.handed h WHERE h.bench = NEW.bench@STANDS@
        AND h.job_id = split_part(NEW.key, '/', 1)::bigint AND h.facts < split_part(NEW.key, '/', 2)::bigint;
    IF FOUND THEN
        RAISE EXCEPTION 'job % of % is held by % since %, and something was done in it since on %',
            gone.job_id, NEW.bench, gone.to_bench, to_char(gone.at, 'YYYY-MM-DD HH24:MI'), NEW.bench
            USING ERRCODE = 'check_violation';
    END IF;
    RETURN NEW;
END $$;
"""


def _made(function: str) -> str:
    return function.replace("@CREATE@", "CREATE").replace("@STANDS@", "")


def _made_anew(function: str) -> str:
    """An offer that was taken back stands no more."""
    return function.replace("@CREATE@", "CREATE OR REPLACE").replace("@STANDS@", " AND h.back_at IS NULL")


THIRD = (
    """
CREATE INDEX documents_shared ON lobewright.documents (key, arrived) WHERE kind = 'versions';
CREATE VIEW lobewright.shared AS
    SELECT bench, key, arrived, sha256, body FROM lobewright.documents WHERE kind = 'versions';

CREATE FUNCTION lobewright.tell_of_shared() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    PERFORM pg_notify('lobewright', NEW.bench);
    RETURN NULL;
END $$;
REVOKE ALL ON FUNCTION lobewright.tell_of_shared FROM PUBLIC;
CREATE TRIGGER tell_of_shared AFTER INSERT ON lobewright.documents
    FOR EACH ROW WHEN (NEW.kind = 'versions') EXECUTE FUNCTION lobewright.tell_of_shared();

CREATE TABLE lobewright.handed (
    number bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    bench text NOT NULL REFERENCES lobewright.benches,
    job_id bigint NOT NULL,
    facts bigint NOT NULL,
    reference text NOT NULL,
    by_whom text NOT NULL,
    at timestamptz NOT NULL DEFAULT now(),
    to_bench text NOT NULL REFERENCES lobewright.benches,
    to_job_id bigint,
    file bytea,
    UNIQUE (bench, job_id),
    UNIQUE (to_bench, to_job_id),
    CHECK (bench <> to_bench)
);
ALTER TABLE lobewright.handed ALTER COLUMN file SET STORAGE EXTERNAL;
CREATE VIEW lobewright.coming AS
    SELECT h.number, h.bench, h.reference, h.by_whom, h.at, h.file FROM lobewright.handed h
    JOIN lobewright.benches b ON b.name = h.to_bench WHERE b.role = session_user AND h.to_job_id IS NULL;
CREATE VIEW lobewright.given AS
    SELECT h.number, h.job_id, h.to_bench, h.by_whom, h.at FROM lobewright.handed h
    JOIN lobewright.benches b ON b.name = h.bench WHERE b.role = session_user;

"""
    + _made(_HAND_OVER)
    + """REVOKE ALL ON FUNCTION lobewright.hand_over FROM PUBLIC;

CREATE FUNCTION lobewright.took(wanted text, mine uuid, which bigint, job bigint) RETURNS boolean
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
BEGIN
    UPDATE lobewright.handed h SET to_job_id = job, file = NULL
        FROM lobewright.benches b WHERE b.role = session_user AND b.name = wanted AND b.identity = mine
        AND h.to_bench = b.name AND h.number = which AND h.to_job_id IS NULL;
    RETURN FOUND;
END $$;
REVOKE ALL ON FUNCTION lobewright.took FROM PUBLIC;

"""
    + _made(_STILL_HELD)
    + """REVOKE ALL ON FUNCTION lobewright.still_held FROM PUBLIC;
CREATE TRIGGER still_held BEFORE INSERT ON lobewright.documents
    FOR EACH ROW WHEN (NEW.kind = 'job_facts') EXECUTE FUNCTION lobewright.still_held();
"""
)
"""Versions of engines and cards are looked at by every bench, and told of as they arrive. A job that is handed over has
one row, which is there once and for all: what the bench that gave it did in it afterwards is not let in, whatever that
bench was copied or put back from, and if the job comes back, it comes as a new job of that bench."""

FOURTH = (
    """
ALTER TABLE lobewright.handed ADD COLUMN taking_at timestamptz, ADD COLUMN back_at timestamptz,
    ADD CHECK (back_at IS NULL OR (taking_at IS NULL AND to_job_id IS NULL)),
    DROP CONSTRAINT handed_bench_job_id_key;
CREATE UNIQUE INDEX handed_once ON lobewright.handed (bench, job_id) WHERE back_at IS NULL;
DROP VIEW lobewright.coming, lobewright.given;
CREATE VIEW lobewright.coming AS
    SELECT h.number, h.bench, h.reference, h.by_whom, h.at FROM lobewright.handed h
    JOIN lobewright.benches b ON b.name = h.to_bench
    WHERE b.role = session_user AND h.to_job_id IS NULL AND h.back_at IS NULL;
CREATE VIEW lobewright.given AS
    SELECT h.number, h.job_id, h.to_bench, h.by_whom, h.at, h.back_at,
        h.back_at IS NULL AND h.taking_at IS NULL AND h.to_job_id IS NULL AS waits
    FROM lobewright.handed h JOIN lobewright.benches b ON b.name = h.bench WHERE b.role = session_user;

"""
    + _made_anew(_HAND_OVER)
    + """
CREATE FUNCTION lobewright.taking(wanted text, mine uuid, which bigint) RETURNS TABLE (bench text, file bytea)
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
BEGIN
    RETURN QUERY UPDATE lobewright.handed h SET taking_at = coalesce(h.taking_at, now())
        FROM lobewright.benches b WHERE b.role = session_user AND b.name = wanted AND b.identity = mine
        AND h.to_bench = b.name AND h.number = which AND h.to_job_id IS NULL AND h.back_at IS NULL
        RETURNING h.bench, h.file;
    PERFORM pg_notify('lobewright', wanted);
END $$;
REVOKE ALL ON FUNCTION lobewright.taking FROM PUBLIC;

CREATE FUNCTION lobewright.not_taken(wanted text, mine uuid, which bigint) RETURNS boolean
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
BEGIN
    UPDATE lobewright.handed h SET taking_at = NULL
        FROM lobewright.benches b WHERE b.role = session_user AND b.name = wanted AND b.identity = mine
        AND h.to_bench = b.name AND h.number = which AND h.to_job_id IS NULL;
    RETURN FOUND;
END $$;
REVOKE ALL ON FUNCTION lobewright.not_taken FROM PUBLIC;

CREATE FUNCTION lobewright.take_back(wanted text, mine uuid, job bigint) RETURNS TABLE (number bigint, at timestamptz)
    LANGUAGE plpgsql SECURITY DEFINER SET search_path = pg_catalog, pg_temp AS $$
DECLARE
    gone lobewright.handed;
BEGIN
    PERFORM 1 FROM lobewright.benches b WHERE b.role = session_user AND b.name = wanted AND b.identity = mine;
    IF NOT FOUND THEN
        RAISE EXCEPTION 'the archive knows another folder under the name %', wanted USING ERRCODE = 'insufficient_privilege';
    END IF;
    SELECT * INTO gone FROM lobewright.handed h WHERE h.bench = wanted AND h.job_id = job
        ORDER BY h.number DESC LIMIT 1 FOR UPDATE;
    IF NOT FOUND OR gone.back_at IS NOT NULL THEN
        RAISE EXCEPTION 'the job was not handed over' USING ERRCODE = 'check_violation';
    ELSIF gone.to_job_id IS NOT NULL THEN
        RAISE EXCEPTION 'the bench % has taken it over', gone.to_bench USING ERRCODE = 'check_violation';
    ELSIF gone.taking_at IS NOT NULL THEN
        RAISE EXCEPTION 'the bench % is taking it over since %', gone.to_bench,
            to_char(gone.taking_at, 'YYYY-MM-DD HH24:MI') USING ERRCODE = 'check_violation';
    END IF;
    PERFORM pg_notify('lobewright', gone.to_bench);
    RETURN QUERY UPDATE lobewright.handed h SET back_at = now(), file = NULL
        WHERE h.number = gone.number RETURNING h.number, h.back_at;
END $$;
REVOKE ALL ON FUNCTION lobewright.take_back FROM PUBLIC;

"""
    + _made_anew(_STILL_HELD)
)
"""An offer may be taken back until the other bench has begun to take the job: which of both came first is settled in the
one row, before either does anything in its own folder. A bench that found that the file is none may let go of it. The row
stays where the offer was taken back, so that an archive put back from a copy of its own is never taken for an answer."""

CHANGES = (FIRST, SECOND, THIRD, FOURTH)
