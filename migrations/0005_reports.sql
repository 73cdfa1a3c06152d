-- Reports that were issued, with what they were worked out from, so that each can be made again to the byte and its figures
-- defended years later; and the reports that make themselves.

-- +goose Up
CREATE TABLE report (
    site          text COLLATE "C" NOT NULL,
    id            bigint GENERATED ALWAYS AS IDENTITY,
    kind          text COLLATE "C" NOT NULL,
    title         text        NOT NULL,
    press         text COLLATE "C" NOT NULL,
    period_from   timestamptz NOT NULL,
    period_to     timestamptz NOT NULL,
    query         json        NOT NULL,
    inputs        bytea       NOT NULL,
    inputs_digest bytea       NOT NULL,
    pdf           bytea       NOT NULL,
    pdf_digest    bytea       NOT NULL,
    version       text        NOT NULL,
    issued_by     text        NOT NULL,
    issued_at     timestamptz NOT NULL,
    schedule      bigint,
    CONSTRAINT report_pkey PRIMARY KEY (site, id),
    CONSTRAINT report_kind_known CHECK (kind IN ('capability', 'hand-over', 'gauge-study')),
    CONSTRAINT report_digest_length CHECK (octet_length(inputs_digest) = 32 AND octet_length(pdf_digest) = 32)
);
CREATE INDEX report_pdf_digest ON report (site, pdf_digest);
CREATE INDEX report_inputs_digest ON report (site, inputs_digest);
-- A schedule issues one report for each period, whichever server does it.
CREATE UNIQUE INDEX report_scheduled_once ON report (site, schedule, period_to) WHERE schedule IS NOT NULL;
COMMENT ON TABLE report IS 'reports as they were issued; append-only';
COMMENT ON COLUMN report.query IS 'what was asked for: press, product, moulds, period, characteristics, choices with their reasons';
COMMENT ON COLUMN report.inputs IS 'all that the figures were worked out from, as compressed JSON: the report is made again from this alone';
COMMENT ON COLUMN report.inputs_digest IS 'SHA-256 of the inputs before compression; printed on every page of the report';
COMMENT ON COLUMN report.pdf_digest IS 'SHA-256 of the PDF, by which a file is recognised later';
COMMENT ON COLUMN report.version IS 'software version that worked the figures out';
COMMENT ON COLUMN report.period_from IS 'line time, inclusive';
COMMENT ON COLUMN report.period_to IS 'line time, exclusive';

CREATE TABLE report_schedule (
    site    text COLLATE "C" NOT NULL,
    id      bigint GENERATED ALWAYS AS IDENTITY,
    kind    text COLLATE "C" NOT NULL,
    every   text COLLATE "C" NOT NULL,
    query   json        NOT NULL,
    begins  timestamptz NOT NULL,
    by      text        NOT NULL,
    at      timestamptz NOT NULL DEFAULT now(),
    retired timestamptz,
    CONSTRAINT report_schedule_pkey PRIMARY KEY (site, id),
    CONSTRAINT report_schedule_every_known CHECK (every IN ('shift', 'week')),
    CONSTRAINT report_schedule_kind_known CHECK (kind IN ('capability', 'hand-over'))
);
COMMENT ON TABLE report_schedule IS 'reports that the service issues by itself at the end of each period';
COMMENT ON COLUMN report_schedule.begins IS 'periods that end before this moment are not made up for';
