-- What charts need beside measurements (limits that people set, events, exclusions), and what the fold over them found
-- (signals, limits in force). What stands can be worked out again at any time; what was known when cannot, so each
-- change of a signal's state and each limit in force is also kept in a log that only grows.

-- +goose Up
CREATE TABLE event (
    site  text COLLATE "C" NOT NULL,
    id    bigint GENERATED ALWAYS AS IDENTITY,
    press text COLLATE "C" NOT NULL,
    gauge text COLLATE "C" NOT NULL,
    kind  text COLLATE "C" NOT NULL,
    at    timestamptz NOT NULL,
    mould text        NOT NULL,
    text  text        NOT NULL,
    by    text        NOT NULL,
    known timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT event_pkey PRIMARY KEY (site, id),
    CONSTRAINT event_kind_known CHECK (kind IN ('mould-change', 'plunger-change', 'product-change', 'stop', 'start', 'gauge-service', 'note'))
);
CREATE INDEX event_at ON event (site, at);
COMMENT ON TABLE event IS 'what happened to a press or gauge; append-only';

CREATE TABLE posted_limits (
    site           text COLLATE "C" NOT NULL,
    chart          text COLLATE "C" NOT NULL,
    stream         text COLLATE "C" NOT NULL,
    revision       integer     NOT NULL,
    baseline_from  timestamptz,
    baseline_to    timestamptz,
    given          json,
    effective_from timestamptz NOT NULL,
    reason         text        NOT NULL,
    by             text        NOT NULL,
    at             timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT posted_limits_pkey PRIMARY KEY (site, chart, stream, revision)
);
COMMENT ON TABLE posted_limits IS 'limits that an engineer froze from a baseline or gave; append-only';
COMMENT ON COLUMN posted_limits.given IS 'limits in the characteristic''s unit; null: worked out from the baseline';

CREATE TABLE exclusion (
    site        text COLLATE "C" NOT NULL,
    seq         bigint GENERATED ALWAYS AS IDENTITY,
    measurement bigint      NOT NULL,
    lifted      boolean     NOT NULL DEFAULT false,
    reason      text        NOT NULL,
    by          text        NOT NULL,
    at          timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT exclusion_pkey PRIMARY KEY (site, seq)
);
CREATE INDEX exclusion_measurement ON exclusion (site, measurement, seq);
COMMENT ON TABLE exclusion IS 'measurements taken out of charts, and put back (lifted); the last row counts; append-only';

CREATE TABLE signal (
    site        text COLLATE "C" NOT NULL,
    id          text COLLATE "C" NOT NULL,
    press       text COLLATE "C" NOT NULL,
    gauge       text COLLATE "C" NOT NULL,
    product     text COLLATE "C" NOT NULL,
    chart       text COLLATE "C" NOT NULL,
    stream      text COLLATE "C" NOT NULL,
    at          timestamptz NOT NULL,
    body        json        NOT NULL,
    state       text COLLATE "C" NOT NULL,
    reopened    boolean     NOT NULL DEFAULT false,
    lost        boolean     NOT NULL DEFAULT false,
    known       timestamptz NOT NULL DEFAULT now(),
    changed     timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT signal_pkey PRIMARY KEY (site, id),
    CONSTRAINT signal_state_known CHECK (state IN ('open', 'acknowledged', 'closed', 'withdrawn'))
);
CREATE INDEX signal_at ON signal (site, at, id);
CREATE INDEX signal_live ON signal (site, press, at) WHERE state IN ('open', 'acknowledged');
COMMENT ON COLUMN signal.at IS 'line time of the first signalling panel';
COMMENT ON COLUMN signal.lost IS 'a re-fold with late panels no longer finds it, but a person had already dealt with it';

CREATE TABLE signal_log (
    site       text COLLATE "C" NOT NULL,
    seq        bigint GENERATED ALWAYS AS IDENTITY,
    signal     text COLLATE "C" NOT NULL,
    known      timestamptz NOT NULL DEFAULT now(),
    state      text COLLATE "C" NOT NULL,
    by         text        NOT NULL,
    note       text        NOT NULL,
    cause      text        NOT NULL,
    action     text        NOT NULL,
    fixed_from timestamptz,
    panels     text[],
    body       json        NOT NULL,
    CONSTRAINT signal_log_pkey PRIMARY KEY (site, seq)
);
CREATE INDEX signal_log_signal ON signal_log (site, signal, seq);
COMMENT ON TABLE signal_log IS 'each state of each signal with the time it became known; append-only';
COMMENT ON COLUMN signal_log.panels IS 'late panels that made a signal vanish or come back';

CREATE TABLE limits_log (
    site      text COLLATE "C" NOT NULL,
    seq       bigint GENERATED ALWAYS AS IDENTITY,
    press     text COLLATE "C" NOT NULL,
    gauge     text COLLATE "C" NOT NULL,
    chart     text COLLATE "C" NOT NULL,
    stream    text COLLATE "C" NOT NULL,
    phase     integer     NOT NULL,
    from_at   timestamptz NOT NULL,
    source    text COLLATE "C" NOT NULL,
    lower     float8,
    centre    float8,
    upper     float8,
    sigma     float8      NOT NULL,
    body      json        NOT NULL,
    known     timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT limits_log_pkey PRIMARY KEY (site, seq)
);
CREATE INDEX limits_log_chart ON limits_log (site, chart, stream, phase, seq);
COMMENT ON TABLE limits_log IS 'limits in force, with the time each became known; append-only';
COMMENT ON COLUMN limits_log.body IS 'how the limits came to be: baseline, autocorrelation, notes, in the fold''s own words';
COMMENT ON COLUMN limits_log.lower IS 'lower limit in the characteristic''s unit; null: none';
COMMENT ON COLUMN limits_log.centre IS 'centre line in the characteristic''s unit; null: none';
COMMENT ON COLUMN limits_log.upper IS 'upper limit in the characteristic''s unit; null: none';
COMMENT ON COLUMN limits_log.sigma IS 'standard deviation of one plotted point, in the characteristic''s unit';

CREATE TABLE checkpoint (
    site           text COLLATE "C" NOT NULL,
    fold           text COLLATE "C" NOT NULL,
    line_at        timestamptz      NOT NULL,
    gauge          text COLLATE "C" NOT NULL,
    series         text COLLATE "C" NOT NULL,
    sequence_order bigint           NOT NULL,
    panel          text COLLATE "C" NOT NULL,
    measured_at    timestamptz      NOT NULL,
    order_hash     bigint           NOT NULL,
    digest         bytea            NOT NULL,
    body           bytea            NOT NULL,
    at             timestamptz      NOT NULL DEFAULT now(),
    CONSTRAINT checkpoint_pkey PRIMARY KEY (site, fold, line_at, gauge, series, sequence_order, panel, measured_at, order_hash)
);
COMMENT ON TABLE checkpoint IS 'the fold''s state after the measurement with this order key; may be deleted at any time';
COMMENT ON COLUMN checkpoint.digest IS 'of the configuration that the fold ran with: another configuration needs another fold';
