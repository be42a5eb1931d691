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

CHANGES = (FIRST, SECOND)
