-- 0005_people: who may see what; sign-ins and tokens are kept as hashes only. Size: 1 row per person, token, sign-in, and
-- per try at the door of the last quarter of an hour. Lock: none, the tables are new. Back: DROP TABLE; nobody can sign in then.

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
    use          text NOT NULL CHECK (use IN ('readings', 'list')),
    depot        text REFERENCES depot ON DELETE CASCADE, -- null: all depots
    created_at   timestamptz NOT NULL DEFAULT now(),
    last_used_at timestamptz,
    revoked_at   timestamptz
);

CREATE TABLE session (
    token_hash bytea PRIMARY KEY, -- SHA-256 of the cookie's value
    data       bytea NOT NULL,
    seen_at    timestamptz NOT NULL DEFAULT now(), -- a session that is not seen for a while ends
    expires_at timestamptz NOT NULL                -- and so does one that is older than this, seen or not
);
CREATE INDEX session_expiry ON session (expires_at);

-- Tries to sign in that did not succeed (yet): too many under one name from one address, or from one address at all, are
-- turned away unheard. In the database, so that a restart or a second server opens no new round.
CREATE TABLE sign_in_try (
    address  text NOT NULL,
    person   text NOT NULL, -- as typed; there need not be such a person
    tried_at timestamptz NOT NULL DEFAULT now()
);
CREATE INDEX sign_in_try_address ON sign_in_try (address, tried_at);
