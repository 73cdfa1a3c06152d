-- Measurements: one row a panel and gauge, readings as one array, what was worked out from them as columns.
--
-- Partitioned by month of measured_at so that old months can be archived whole and indexes stay small; partitions are
-- made on demand, because history of any age may be imported. A partitioned table cannot hold a unique key that
-- leaves out the month, so identity lives in measurement_key, written in the same transaction.

-- +goose Up
CREATE SEQUENCE measurement_id;

CREATE TABLE measurement (
    site            text COLLATE "C" NOT NULL,
    id              bigint           NOT NULL,
    gauge           text COLLATE "C" NOT NULL,
    panel           text COLLATE "C" NOT NULL,
    measured_at     timestamptz      NOT NULL,
    press           text COLLATE "C" NOT NULL,
    product         text COLLATE "C" NOT NULL,
    mould           text COLLATE "C" NOT NULL,
    casting         text COLLATE "C" NOT NULL,
    lane            text COLLATE "C" NOT NULL,
    cycle           bigint,
    pressed_at      timestamptz,
    series          text COLLATE "C" NOT NULL,
    sequence_order  bigint           NOT NULL,
    line_at         timestamptz      NOT NULL,
    line_estimated  boolean          NOT NULL,
    order_hash      bigint           NOT NULL,
    purpose         text COLLATE "C" NOT NULL,
    counted         boolean          NOT NULL,
    state           text COLLATE "C" NOT NULL,
    revision        integer          NOT NULL,
    correction_of   bigint,
    product_rev     integer          NOT NULL,
    gauge_rev       integer          NOT NULL,
    press_rev       integer          NOT NULL,
    algorithm       integer          NOT NULL,
    source          text             NOT NULL,
    stored_at       timestamptz      NOT NULL DEFAULT now(),
    readings        float8[],
    characteristics json,
    counts          json,
    verdict         text COLLATE "C" NOT NULL,
    reasons         text[],
    items           json,
    suspect_places  smallint[],
    faulty_probes   smallint[],
    dropped         text[],
    refusal         text             NOT NULL,
    radius_mm               float8,
    radius_u_mm             float8,
    radius_fit_u_mm         float8,
    rms_um                  float8,
    form_um                 float8,
    contour_rms_um          float8,
    contour_pv_um           float8,
    max_deviation_um        float8,
    max_deviation_signed_um float8,
    max_deviation_place     float8,
    corner_sag_mm           float8,
    seat_x_mm               float8,
    seat_y_mm               float8,
    radius_x_mm             float8,
    radius_y_mm             float8,
    bow_um                  float8,
    twofold_um              float8,
    twist_um                float8,
    cubic_1_um              float8,
    cubic_2_um              float8,
    cubic_3_um              float8,
    cubic_4_um              float8,
    bow4_um                 float8,
    mean                    float8,
    sd                      float8,
    range                   float8,
    master_radius_error_mm  float8,
    master_max_error_um     float8,
    CONSTRAINT measurement_pkey PRIMARY KEY (site, id, measured_at),
    CONSTRAINT measurement_state_known CHECK (state IN ('current', 'superseded', 'void')),
    CONSTRAINT measurement_counted_is_current CHECK (NOT counted OR (state = 'current' AND purpose = 'production'))
) PARTITION BY RANGE (measured_at);

-- Press order with the whole order key: the fold and exports read years in order and never sort.
CREATE INDEX measurement_order ON measurement (site, press, line_at, gauge, series, sequence_order, panel, measured_at, order_hash);
-- Lists of the whole site; two rows at one line time are sorted on the way.
CREATE INDEX measurement_line ON measurement (site, line_at);
-- The panel's page, and the search for a serial whose press is not known.
CREATE INDEX measurement_panel ON measurement (site, panel, press);
-- The gauge's page and its masters.
CREATE INDEX measurement_gauge ON measurement (site, gauge, measured_at);
-- Sweeps over long times; almost free, since rows come nearly in time order.
CREATE INDEX measurement_brin ON measurement USING brin (measured_at);

COMMENT ON TABLE measurement IS 'what gauges sent and what was worked out from it; lengths in mm unless the column ends in _um';
COMMENT ON COLUMN measurement.measured_at IS 'when the gauge measured, whole microseconds';
COMMENT ON COLUMN measurement.pressed_at IS 'when the panel was pressed, whole microseconds; null: not known';
COMMENT ON COLUMN measurement.cycle IS 'round counter of the press table; null: not sent';
COMMENT ON COLUMN measurement.sequence_order IS 'the gauge''s counter; 2^53 where it sent none, so that none sorts last';
COMMENT ON COLUMN measurement.line_at IS 'pressed_at, else measured_at less the lehr time (then line_estimated)';
COMMENT ON COLUMN measurement.order_hash IS 'first 64 bits of the content hash with the top bit turned, so that signed order is the unsigned one';
COMMENT ON COLUMN measurement.counted IS 'feeds charts and counts: the first production measurement in line order of its press, panel and gauge';
COMMENT ON COLUMN measurement.algorithm IS 'revision of the method that made the worked-out columns';
COMMENT ON COLUMN measurement.readings IS 'one per place in the gauge''s kind and unit (mm, um or in); NaN: the gauge sent null';
COMMENT ON COLUMN measurement.characteristics IS 'named values in the units of the product''s characteristics; json keeps the shortest decimals as sent, also -0';
COMMENT ON COLUMN measurement.counts IS 'numbers of pieces: nonconforming of inspected, or defects on units';
COMMENT ON COLUMN measurement.items IS 'the judged characteristics with value, standard uncertainty and limits in their own unit';
COMMENT ON COLUMN measurement.suspect_places IS 'places (from 1) whose reading stands out';
COMMENT ON COLUMN measurement.faulty_probes IS 'places (from 1) left out of every figure';
COMMENT ON COLUMN measurement.radius_mm IS 'radius of the fitted sphere, mm';
COMMENT ON COLUMN measurement.radius_u_mm IS 'its standard uncertainty (k = 1) with the gauge''s share, mm';
COMMENT ON COLUMN measurement.radius_fit_u_mm IS 'the part of it that comes from the fit, mm';
COMMENT ON COLUMN measurement.rms_um IS 'root mean square residual from the sphere, um';
COMMENT ON COLUMN measurement.form_um IS 'peak to valley of the residuals from the sphere, um';
COMMENT ON COLUMN measurement.contour_rms_um IS 'root mean square deviation from the aligned contour, um';
COMMENT ON COLUMN measurement.contour_pv_um IS 'peak to valley deviation from the aligned contour, um';
COMMENT ON COLUMN measurement.max_deviation_um IS 'greatest absolute deviation from the aligned contour, um';
COMMENT ON COLUMN measurement.max_deviation_signed_um IS 'that deviation with its sign, positive above the contour, um';
COMMENT ON COLUMN measurement.max_deviation_place IS 'the place (from 1) of the greatest deviation';
COMMENT ON COLUMN measurement.corner_sag_mm IS 'sag of the fitted sphere at the product''s corner, mm';
COMMENT ON COLUMN measurement.seat_x_mm IS 'x of the fitted centre, mm';
COMMENT ON COLUMN measurement.seat_y_mm IS 'y of the fitted centre, mm';
COMMENT ON COLUMN measurement.radius_x_mm IS 'radius along x at the apex, mm';
COMMENT ON COLUMN measurement.radius_y_mm IS 'radius along y at the apex, mm';
COMMENT ON COLUMN measurement.bow_um IS 'shape term u^2 + v^2, um at the reference radius';
COMMENT ON COLUMN measurement.twofold_um IS 'shape term u^2 - v^2, um at the reference radius';
COMMENT ON COLUMN measurement.twist_um IS 'shape term 2uv, um at the reference radius';
COMMENT ON COLUMN measurement.cubic_1_um IS 'shape term u^3 - 3uv^2, um at the reference radius';
COMMENT ON COLUMN measurement.cubic_2_um IS 'shape term 3u^2v - v^3, um at the reference radius';
COMMENT ON COLUMN measurement.cubic_3_um IS 'shape term u(u^2 + v^2), um at the reference radius';
COMMENT ON COLUMN measurement.cubic_4_um IS 'shape term v(u^2 + v^2), um at the reference radius';
COMMENT ON COLUMN measurement.bow4_um IS 'shape term (u^2 + v^2)^2, um at the reference radius';
COMMENT ON COLUMN measurement.mean IS 'mean of a dimensions gauge''s readings, in the gauge''s unit';
COMMENT ON COLUMN measurement.sd IS 'their standard deviation (n - 1), in the gauge''s unit';
COMMENT ON COLUMN measurement.range IS 'greatest less least of them, in the gauge''s unit';
COMMENT ON COLUMN measurement.master_radius_error_mm IS 'radius of a master check less the certificate''s, mm';
COMMENT ON COLUMN measurement.master_max_error_um IS 'greatest error of a master check against the certificate, um';

CREATE TABLE measurement_key (
    site           text COLLATE "C" NOT NULL,
    id             bigint           NOT NULL,
    gauge          text COLLATE "C" NOT NULL,
    series         text COLLATE "C" NOT NULL,
    sequence_order bigint           NOT NULL,
    panel          text COLLATE "C" NOT NULL,
    measured_at    timestamptz      NOT NULL,
    press          text COLLATE "C" NOT NULL,
    line_at        timestamptz      NOT NULL,
    content_hash   bytea            NOT NULL,
    counted        boolean          NOT NULL,
    owns           boolean          NOT NULL,
    original       bigint,
    CONSTRAINT measurement_key_pkey PRIMARY KEY (site, id),
    CONSTRAINT measurement_key_hash_length CHECK (octet_length(content_hash) = 32)
);
CREATE UNIQUE INDEX measurement_key_sequence ON measurement_key (site, gauge, series, sequence_order)
    WHERE owns AND sequence_order < 9007199254740992;
CREATE UNIQUE INDEX measurement_key_time ON measurement_key (site, gauge, panel, measured_at)
    WHERE owns AND sequence_order = 9007199254740992;
CREATE UNIQUE INDEX measurement_key_counted ON measurement_key (site, press, panel, gauge) WHERE counted;
CREATE INDEX measurement_key_chain ON measurement_key (site, original) WHERE original IS NOT NULL;
COMMENT ON TABLE measurement_key IS 'identity of every measurement, never partitioned and never archived';
COMMENT ON COLUMN measurement_key.owns IS 'false for a correction that keeps the identity of what it corrects';
COMMENT ON COLUMN measurement_key.original IS 'of a correction: the first measurement of its chain';
COMMENT ON COLUMN measurement_key.content_hash IS 'SHA-256 of the content as sent, in its canonical form';
COMMENT ON INDEX measurement_key_counted IS 'at most one measurement of a press, panel and gauge feeds charts';

-- Corrections and voids: why a measurement no longer stands.
CREATE TABLE measurement_change (
    site        text COLLATE "C" NOT NULL,
    seq         bigint GENERATED ALWAYS AS IDENTITY,
    measurement bigint      NOT NULL,
    kind        text        NOT NULL,
    replaced_by bigint,
    reason      text        NOT NULL,
    by          text        NOT NULL,
    at          timestamptz NOT NULL DEFAULT now(),
    CONSTRAINT measurement_change_pkey PRIMARY KEY (site, seq),
    CONSTRAINT measurement_change_once UNIQUE (site, measurement),
    CONSTRAINT measurement_change_kind_known CHECK (kind IN ('correction', 'void')),
    CONSTRAINT measurement_change_replacement CHECK ((kind = 'correction') = (replaced_by IS NOT NULL))
);
COMMENT ON TABLE measurement_change IS 'corrections and voids; append-only';

-- A second content under one identity: the first stays, the second waits here for an engineer.
CREATE TABLE conflict (
    site         text COLLATE "C" NOT NULL,
    id           bigint GENERATED ALWAYS AS IDENTITY,
    existing     bigint      NOT NULL,
    content_hash bytea       NOT NULL,
    content      json        NOT NULL,
    source       text        NOT NULL,
    received_at  timestamptz NOT NULL DEFAULT now(),
    resolution   text,
    measurement  bigint,
    reason       text        NOT NULL DEFAULT '',
    resolved_by  text        NOT NULL DEFAULT '',
    resolved_at  timestamptz,
    CONSTRAINT conflict_pkey PRIMARY KEY (site, id),
    CONSTRAINT conflict_once UNIQUE (site, existing, content_hash),
    CONSTRAINT conflict_resolution_known CHECK (resolution IN ('correction', 'new-series', 'drop')),
    CONSTRAINT conflict_resolved CHECK ((resolution IS NULL) = (resolved_at IS NULL))
);
CREATE INDEX conflict_open ON conflict (site, id) WHERE resolution IS NULL;
COMMENT ON COLUMN conflict.content IS 'the whole measurement as it came, with what was worked out from it';
COMMENT ON COLUMN conflict.measurement IS 'the measurement that an accepted conflict became';
