-- Gauge studies: what was planned, what was read in which order, and what became of it. A reading is kept with the study as it
-- was when it was taken, so that the study's figures stand whatever is corrected elsewhere later; nothing is deleted.

-- +goose Up
CREATE TABLE study (
    site    text COLLATE "C" NOT NULL,
    id      bigint GENERATED ALWAYS AS IDENTITY,
    kind    text COLLATE "C" NOT NULL,
    title   text             NOT NULL,
    gauge   text COLLATE "C" NOT NULL,
    product text COLLATE "C" NOT NULL,
    plan    json             NOT NULL,
    takes   boolean          NOT NULL,
    state   text COLLATE "C" NOT NULL,
    by      text             NOT NULL,
    at      timestamptz      NOT NULL DEFAULT now(),
    CONSTRAINT study_pkey PRIMARY KEY (site, id),
    CONSTRAINT study_kind_known CHECK (kind IN ('single-master', 'crossed', 'nested', 'linearity', 'stability', 'attributes', 'half-turn')),
    CONSTRAINT study_state_known CHECK (state IN ('collecting', 'collected', 'adopted', 'abandoned'))
);
-- A reading that a gauge sends can belong to one study only.
CREATE UNIQUE INDEX study_one_at_a_gauge ON study (site, gauge) WHERE takes AND state = 'collecting';
COMMENT ON TABLE study IS 'gauge studies; only the state changes, and each change is logged';
COMMENT ON COLUMN study.plan IS 'parts, appraisers, trials, characteristics with their tolerances, seed and the order sheet';
COMMENT ON COLUMN study.takes IS 'readings come from what the gauge sends for the purpose study';

CREATE TABLE study_reading (
    site          text COLLATE "C" NOT NULL,
    seq           bigint GENERATED ALWAYS AS IDENTITY,
    study         bigint      NOT NULL,
    line          integer     NOT NULL,
    measurement   bigint,
    measured_at   timestamptz NOT NULL,
    characteristics json      NOT NULL,
    deviations    float8[],
    category      integer,
    by            text        NOT NULL,
    at            timestamptz NOT NULL DEFAULT now(),
    withdrawn_by  text,
    withdrawn_at  timestamptz,
    CONSTRAINT study_reading_pkey PRIMARY KEY (site, seq),
    CONSTRAINT study_reading_withdrawn CHECK ((withdrawn_by IS NULL) = (withdrawn_at IS NULL)),
    CONSTRAINT study_reading_line_positive CHECK (line > 0)
);
CREATE UNIQUE INDEX study_reading_line ON study_reading (site, study, line) WHERE withdrawn_at IS NULL;
-- One that was undone is not taken again by itself.
CREATE UNIQUE INDEX study_reading_measurement ON study_reading (site, study, measurement) WHERE measurement IS NOT NULL;
COMMENT ON TABLE study_reading IS 'readings of studies by line of the order sheet; one that was undone stays, marked';
COMMENT ON COLUMN study_reading.measurement IS 'what the gauge sent; null: keyed in';
COMMENT ON COLUMN study_reading.characteristics IS 'the values in the units of the plan''s characteristics';
COMMENT ON COLUMN study_reading.deviations IS 'deviation from the contour at each place, um; NaN: left out; null: keyed in, or a gauge without places';
COMMENT ON COLUMN study_reading.category IS 'of a study by attributes: index into the plan''s categories';

CREATE TABLE study_log (
    site   text COLLATE "C" NOT NULL,
    seq    bigint GENERATED ALWAYS AS IDENTITY,
    study  bigint      NOT NULL,
    state  text COLLATE "C" NOT NULL,
    reason text        NOT NULL,
    detail json        NOT NULL,
    by     text        NOT NULL,
    at     timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT study_log_pkey PRIMARY KEY (site, seq)
);
CREATE INDEX study_log_study ON study_log (site, study, seq);
COMMENT ON TABLE study_log IS 'each state of each study; append-only';
COMMENT ON COLUMN study_log.detail IS 'of an adoption: what became which revision of which definition';
