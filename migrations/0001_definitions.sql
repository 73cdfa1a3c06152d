-- What a plant defines, and who did what. Definitions are revised, never overwritten: a measurement is judged by the
-- definition in force when it was made, whenever it arrives, so every revision stays.
--
-- Every key begins with the site, so that the tables could be spread over several machines by that column alone.
-- Text that takes part in an order is COLLATE "C": byte order, which is also the order of the program.

-- +goose Up
CREATE TABLE definition (
    site           text COLLATE "C" NOT NULL,
    kind           text COLLATE "C" NOT NULL,
    id             text COLLATE "C" NOT NULL,
    revision       integer          NOT NULL,
    effective_from timestamptz      NOT NULL,
    body           json             NOT NULL,
    retired        boolean          NOT NULL DEFAULT false,
    reason         text             NOT NULL DEFAULT '',
    by             text             NOT NULL DEFAULT '',
    at             timestamptz      NOT NULL DEFAULT now(),
    CONSTRAINT definition_pkey PRIMARY KEY (site, kind, id, revision),
    CONSTRAINT definition_kind_known CHECK (kind IN ('site', 'product', 'press', 'gauge', 'chart')),
    CONSTRAINT definition_revision_positive CHECK (revision > 0)
);
COMMENT ON TABLE definition IS 'products, presses, gauges, charts and the site itself, in every revision; append-only';
COMMENT ON COLUMN definition.body IS 'the object as JSON text, kept as written (json, not jsonb, so that numbers come back to the digit)';
COMMENT ON COLUMN definition.effective_from IS 'in force for measurements made from this moment on';

CREATE TABLE audit (
    site   text COLLATE "C" NOT NULL,
    seq    bigint GENERATED ALWAYS AS IDENTITY,
    at     timestamptz NOT NULL DEFAULT now(),
    by     text        NOT NULL,
    action text        NOT NULL,
    object text        NOT NULL,
    detail json,
    CONSTRAINT audit_pkey PRIMARY KEY (site, seq)
);
COMMENT ON TABLE audit IS 'who changed what and when; append-only';
