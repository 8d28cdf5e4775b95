-- 0005_people: who may see what; sign-ins and tokens are kept as hashes only. Size: 1 row per person, token, sign-in.
-- Lock: none, the tables are new. Back: DROP TABLE; nobody can sign in then.

CREATE TABLE person (
    person        text PRIMARY KEY, -- sign-in name, lower case
    full_name     text NOT NULL DEFAULT '',
    email         text NOT NULL DEFAULT '',
    role          text NOT NULL CHECK (role IN ('manager', 'mechanic', 'accountant', 'reader', 'administrator')),
    all_depots    boolean NOT NULL DEFAULT false, -- else only those in person_depot
    password_hash text NOT NULL, -- argon2id, PHC string format
    created_at    timestamptz NOT NULL DEFAULT now(),
    disabled_at   timestamptz
);

CREATE TABLE person_depot (
    person text NOT NULL REFERENCES person ON DELETE CASCADE,
    depot  text NOT NULL REFERENCES depot ON DELETE CASCADE,
    PRIMARY KEY (person, depot)
);

CREATE TABLE token (
    token_hash   bytea PRIMARY KEY, -- SHA-256; the token itself is shown once and has 256 bits of randomness
    name         text NOT NULL UNIQUE,
    depot        text REFERENCES depot ON DELETE CASCADE, -- null: all depots
    created_at   timestamptz NOT NULL DEFAULT now(),
    last_used_at timestamptz,
    revoked_at   timestamptz
);

CREATE TABLE session (
    token_hash bytea PRIMARY KEY,
    data       bytea NOT NULL,
    expires_at timestamptz NOT NULL
);
CREATE INDEX session_expiry ON session (expires_at);
