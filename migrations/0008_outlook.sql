-- 0008_outlook: how the chances of each unit run on from the newest list, and what that list learned from the fleet, so that pages,
-- plan and mail need not judge the fleet anew. Only the newest list's are kept. Size: 1 row per unit of 1 kB, and 1 of some 100 kB.
-- Lock: none, the tables are new. Back: DROP TABLE; the next list brings them again.

CREATE TABLE outlook (
    unit  text PRIMARY KEY REFERENCES unit,
    issue bigint NOT NULL REFERENCES issue,
    depot text NOT NULL,
    night_limit_c float8 NOT NULL, -- with freezes_at_c: whom a night's low may concern, without reading the rest
    freezes_at_c  float8,
    ahead json NOT NULL
);
CREATE INDEX outlook_depot ON outlook (depot, night_limit_c);

CREATE TABLE learned (
    issue  bigint PRIMARY KEY REFERENCES issue,
    lesson json NOT NULL -- json keeps the bytes
);

-- Tonight's low as people typed it in; it goes before an imported forecast. One row per depot and night on which somebody typed.
CREATE TABLE typed_low (
    depot    text NOT NULL REFERENCES depot ON DELETE CASCADE,
    dawn     date NOT NULL, -- the morning after
    low_c    float8 NOT NULL CHECK (low_c BETWEEN -80 AND 50),
    typed_by text NOT NULL,
    typed_at timestamptz NOT NULL DEFAULT now(),
    PRIMARY KEY (depot, dawn)
);
