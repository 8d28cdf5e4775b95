-- 0008_outlook: how the chances of each unit run on from the newest list, and what that list learned from the fleet, so that pages,
-- plan and mail need not judge the fleet anew. Only the newest list's are kept. Size: 1 row per unit of 1 kB, and 1 of some 100 kB.
-- Lock: none, the tables are new. Back: DROP TABLE; the next list brings them again.

CREATE TABLE outlook (
    unit  text PRIMARY KEY REFERENCES unit,
    issue bigint NOT NULL REFERENCES issue,
    ahead json NOT NULL
);

CREATE TABLE learned (
    issue  bigint PRIMARY KEY REFERENCES issue,
    lesson json NOT NULL -- json keeps the bytes
);
