-- Causes and actions come from lists that the plant keeps, and a reaction plan is worked through step by step. The lists are
-- definitions like any other, in every revision; what people ticked is appended, so that an undone step can still be seen.

-- +goose Up
ALTER TABLE definition DROP CONSTRAINT definition_kind_known;
ALTER TABLE definition ADD CONSTRAINT definition_kind_known
    CHECK (kind IN ('site', 'product', 'press', 'gauge', 'chart', 'cause', 'action'));
COMMENT ON TABLE definition IS 'products, presses, gauges, charts, causes, actions and the site itself, in every revision; append-only';

ALTER TABLE signal_log
    ADD COLUMN cause_id  text COLLATE "C" NOT NULL DEFAULT '',
    ADD COLUMN action_id text COLLATE "C" NOT NULL DEFAULT '',
    ADD COLUMN at_risk   bigint,
    ADD CONSTRAINT signal_log_at_risk_not_negative CHECK (at_risk >= 0);
CREATE INDEX signal_log_closed ON signal_log (site, known) WHERE state = 'closed';
COMMENT ON COLUMN signal_log.cause IS 'of a closing: the cause in words, as it was named then';
COMMENT ON COLUMN signal_log.cause_id IS 'of a closing: the cause on the plant''s list; other: in the words of whoever closed it';
COMMENT ON COLUMN signal_log.action_id IS 'of a closing: the action on the plant''s list; other: in the words of whoever closed it';
COMMENT ON COLUMN signal_log.at_risk IS 'of a closing: panels at risk as counted then; null: not counted';

CREATE TABLE signal_plan (
    site     text COLLATE "C" NOT NULL,
    signal   text COLLATE "C" NOT NULL,
    cause    text COLLATE "C" NOT NULL,
    revision integer     NOT NULL,
    name     text        NOT NULL,
    steps    text[]      NOT NULL,
    by       text        NOT NULL,
    at       timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT signal_plan_pkey PRIMARY KEY (site, signal, cause),
    CONSTRAINT signal_plan_has_steps CHECK (cardinality(steps) > 0)
);
COMMENT ON TABLE signal_plan IS 'reaction plans begun on signals, with the steps as they were at the beginning; append-only';
COMMENT ON COLUMN signal_plan.revision IS 'of the cause''s definition; 0: as it comes with the program';

CREATE TABLE signal_step (
    site   text COLLATE "C" NOT NULL,
    seq    bigint GENERATED ALWAYS AS IDENTITY,
    signal text COLLATE "C" NOT NULL,
    cause  text COLLATE "C" NOT NULL,
    step   integer     NOT NULL,
    done   boolean     NOT NULL,
    note   text        NOT NULL,
    by     text        NOT NULL,
    at     timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT signal_step_pkey PRIMARY KEY (site, seq),
    CONSTRAINT signal_step_plan FOREIGN KEY (site, signal, cause) REFERENCES signal_plan (site, signal, cause),
    CONSTRAINT signal_step_positive CHECK (step > 0)
);
CREATE INDEX signal_step_signal ON signal_step (site, signal, cause, seq);
COMMENT ON TABLE signal_step IS 'steps of reaction plans acknowledged and taken back; the latest entry of a step holds; append-only';
COMMENT ON COLUMN signal_step.step IS 'from 1, in the order of signal_plan.steps';
