-- People, their sessions in a browser, and the tokens of machines.

-- +goose Up
CREATE TABLE users (
    site          text COLLATE "C" NOT NULL,
    name          text COLLATE "C" NOT NULL,
    display       text        NOT NULL,
    role          text        NOT NULL,
    password_hash text        NOT NULL,
    disabled      boolean     NOT NULL DEFAULT false,
    created       timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT users_pkey PRIMARY KEY (site, name)
);
COMMENT ON COLUMN users.password_hash IS 'argon2id in its text form, with parameters and salt';

-- The layout that the session library asks for; a session knows its site inside data.
CREATE TABLE sessions (
    token  text        NOT NULL,
    data   bytea       NOT NULL,
    expiry timestamptz NOT NULL,
    CONSTRAINT sessions_pkey PRIMARY KEY (token)
);
CREATE INDEX sessions_expiry_idx ON sessions (expiry);

CREATE TABLE token (
    site       text COLLATE "C" NOT NULL,
    name       text COLLATE "C" NOT NULL,
    hash       bytea       NOT NULL,
    scopes     text[]      NOT NULL,
    by         text        NOT NULL,
    created    timestamptz NOT NULL DEFAULT now(),
    last_used  timestamptz,
    revoked    timestamptz,
    CONSTRAINT token_pkey PRIMARY KEY (site, name),
    CONSTRAINT token_hash_unique UNIQUE (site, hash),
    CONSTRAINT token_hash_length CHECK (octet_length(hash) = 32)
);
COMMENT ON COLUMN token.hash IS 'SHA-256 of the token; the token itself is shown once and kept nowhere';
