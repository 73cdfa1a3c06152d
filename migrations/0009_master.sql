-- Doubt: a failed check of a gauge's master puts in doubt what the gauge measured since the last good check and until the next. That follows
-- from the checks and is never stored; what is stored is what somebody decided about a stretch of it, for whatever comes late too.

-- +goose Up
-- The few checks among the many panels of a gauge.
CREATE INDEX measurement_master ON measurement (site, gauge, measured_at) WHERE purpose = 'master';

CREATE TABLE doubt_decision (
    site     text COLLATE "C" NOT NULL,
    seq      bigint GENERATED ALWAYS AS IDENTITY,
    gauge    text COLLATE "C" NOT NULL,
    from_at  timestamptz,
    to_at    timestamptz NOT NULL,
    decision text COLLATE "C" NOT NULL,
    voided   integer     NOT NULL DEFAULT 0,
    reason   text        NOT NULL,
    by       text        NOT NULL,
    at       timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT doubt_decision_pkey PRIMARY KEY (site, seq),
    CONSTRAINT doubt_decision_known CHECK (decision IN ('accept', 'remeasure', 'void')),
    CONSTRAINT doubt_decision_forward CHECK (from_at IS NULL OR from_at < to_at),
    CONSTRAINT doubt_decision_reason_given CHECK (reason <> '')
);
CREATE INDEX doubt_decision_gauge ON doubt_decision (site, gauge, seq);
COMMENT ON TABLE doubt_decision IS 'what was decided about measurements in doubt, the latest counts where several cover one; append-only';
COMMENT ON COLUMN doubt_decision.from_at IS 'measured_at, exclusive: the last good check; null: there was none';
COMMENT ON COLUMN doubt_decision.to_at IS 'measured_at, exclusive: the next good check, or the time of the decision where there was none yet';
COMMENT ON COLUMN doubt_decision.decision IS 'accept: they count as they are. remeasure: each stays in doubt until its panel was measured again. void: those known were made void; one that comes late is in doubt';
COMMENT ON COLUMN doubt_decision.voided IS 'measurements made void by it';
