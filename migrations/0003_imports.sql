-- 0003_imports: what came in, and the rows kept apart with their reasons. Size: 1 row per file and per row kept apart.
-- Lock: none, the tables are new. Back: DROP TABLE, once no row is waiting to be mended.

CREATE TABLE import (
    import     bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    started_at timestamptz NOT NULL DEFAULT now(),
    source     text NOT NULL -- who or what brought it: 'command', 'api:<token name>', 'demo'
);

CREATE TABLE import_file (
    import        bigint NOT NULL REFERENCES import,
    file          text NOT NULL,
    kind          text NOT NULL DEFAULT '', -- empty: refused before it was recognised
    row_count     bigint NOT NULL DEFAULT 0,
    taken         bigint NOT NULL DEFAULT 0,
    already_there bigint NOT NULL DEFAULT 0,
    kept_apart    bigint NOT NULL DEFAULT 0,
    refused       text NOT NULL DEFAULT '', -- the reason; empty: the file was read
    PRIMARY KEY (import, file)
);

CREATE TABLE kept_apart (
    import     bigint NOT NULL,
    file       text NOT NULL,
    line       bigint NOT NULL,
    kind       text NOT NULL,
    unit       text NOT NULL DEFAULT '', -- as written, for finding one unit's trouble
    depot      text NOT NULL DEFAULT '', -- of that unit, where it is known: who may see the row
    column_name text NOT NULL,
    value      text NOT NULL,
    reason     text NOT NULL,
    header     text[] NOT NULL, -- with fields, the whole row as it came, so that it can be mended and taken
    fields     text[] NOT NULL,
    row_digest bytea NOT NULL UNIQUE, -- of kind, header and fields: a row waits once, however often it is brought
    FOREIGN KEY (import, file) REFERENCES import_file
);
CREATE INDEX kept_apart_place ON kept_apart (file, line);
CREATE INDEX kept_apart_import ON kept_apart (import, file, line);
