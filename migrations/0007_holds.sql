-- Holds: which panels may not be used until somebody has decided on them. A hold is a predicate, never a list made at one time: a panel
-- that comes late belongs to it as soon as it is stored. What becomes of each panel is the latest decision on it; all decisions stay.

-- +goose Up
CREATE TABLE hold (
    site    text COLLATE "C" NOT NULL,
    id      bigint GENERATED ALWAYS AS IDENTITY,
    press   text COLLATE "C" NOT NULL,
    moulds  text[] COLLATE "C" NOT NULL,
    lanes   text[] COLLATE "C" NOT NULL,
    gauges  text[] COLLATE "C" NOT NULL,
    from_at timestamptz,
    to_at   timestamptz,
    serials text[] COLLATE "C" NOT NULL,
    first   text COLLATE "C" NOT NULL,
    last    text COLLATE "C" NOT NULL,
    signal  text COLLATE "C" NOT NULL,
    reason  text        NOT NULL,
    by      text        NOT NULL,
    at      timestamptz NOT NULL DEFAULT now(),
    closed  timestamptz,
    CONSTRAINT hold_pkey PRIMARY KEY (site, id),
    CONSTRAINT hold_one_kind CHECK ((from_at IS NOT NULL)::int + (cardinality(serials) > 0)::int + (first <> '')::int = 1),
    CONSTRAINT hold_range_forward CHECK (to_at IS NULL OR to_at > from_at),
    CONSTRAINT hold_serials_forward CHECK ((first = '') = (last = '') AND first <= last AND octet_length(first) = octet_length(last)),
    CONSTRAINT hold_reason_given CHECK (reason <> '')
);
CREATE INDEX hold_press ON hold (site, press, id);
CREATE INDEX hold_signal ON hold (site, signal) WHERE signal <> '';
COMMENT ON TABLE hold IS 'predicates of panels on hold; only the end of the range and the closing change, and both are logged';
COMMENT ON COLUMN hold.moulds IS 'stations; a panel of any of the moulds, lanes or gauges named belongs to the hold, and of none named every panel';
COMMENT ON COLUMN hold.from_at IS 'line time, inclusive; null: by serials';
COMMENT ON COLUMN hold.to_at IS 'line time, exclusive; null: open, or by serials';
COMMENT ON COLUMN hold.first IS 'of a range of serials of one length, in the order of their characters, both ends belong to it; "": none';
COMMENT ON COLUMN hold.signal IS 'the signal that it was made for; "": none';

CREATE TABLE hold_log (
    site   text COLLATE "C" NOT NULL,
    seq    bigint GENERATED ALWAYS AS IDENTITY,
    hold   bigint      NOT NULL,
    kind   text COLLATE "C" NOT NULL,
    to_at  timestamptz,
    lifted integer     NOT NULL DEFAULT 0,
    reason text        NOT NULL,
    by     text        NOT NULL,
    at     timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT hold_log_pkey PRIMARY KEY (site, seq),
    CONSTRAINT hold_log_kind_known CHECK (kind IN ('made', 'ended', 'closed'))
);
CREATE INDEX hold_log_hold ON hold_log (site, hold, seq);
COMMENT ON TABLE hold_log IS 'what was done to holds; append-only';
COMMENT ON COLUMN hold_log.to_at IS 'of an end: the line time from which panels are no longer held';
COMMENT ON COLUMN hold_log.lifted IS 'of a closing: panels on which nobody had decided';

CREATE TABLE hold_decision (
    site     text COLLATE "C" NOT NULL,
    seq      bigint GENERATED ALWAYS AS IDENTITY,
    hold     bigint      NOT NULL,
    panel    text COLLATE "C" NOT NULL,
    decision text COLLATE "C" NOT NULL,
    reason   text        NOT NULL,
    by       text        NOT NULL,
    at       timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT hold_decision_pkey PRIMARY KEY (site, seq),
    CONSTRAINT hold_decision_known CHECK (decision IN ('release', 'remeasure', 'rework', 'scrap', 'lifted')),
    CONSTRAINT hold_decision_reason_given CHECK (reason <> '')
);
CREATE INDEX hold_decision_panel ON hold_decision (site, hold, panel, seq);
COMMENT ON TABLE hold_decision IS 'decisions on panels of a hold, the latest counts; append-only';
COMMENT ON COLUMN hold_decision.decision IS 'lifted: the hold was closed before anybody had decided on this panel. A panel that came after the closing has no such row and is held';
