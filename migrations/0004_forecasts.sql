-- 0004_forecasts: ranked lists as they were issued; rows are added, never changed, because the audit needs what was said.
-- Size: 1 row per unit and issue. Lock: none, the tables are new. Back: DROP TABLE loses the record of past forecasts.

CREATE TABLE issue (
    issue       bigint GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    as_of       date NOT NULL,
    season_from date NOT NULL,
    season_to   date NOT NULL,
    issued_at   timestamptz NOT NULL DEFAULT now(),
    method      text NOT NULL
);
CREATE INDEX issue_latest ON issue (as_of, issue);

CREATE TABLE forecast (
    issue                 bigint NOT NULL REFERENCES issue,
    unit                  text NOT NULL REFERENCES unit,
    as_of                 date NOT NULL,
    depot                 text NOT NULL, -- where the unit stood then
    rank                  int NOT NULL,
    band                  text NOT NULL CHECK (band IN ('sound', 'watch', 'swap', 'down', 'unknown')),
    no_start_probability  float8 CHECK (no_start_probability BETWEEN 0 AND 1),
    cold_limit_c          float8,
    cold_limit_p10_c      float8,
    cold_limit_p90_c      float8,
    suspect               text NOT NULL,
    p_battery             float8 NOT NULL,
    p_starter             float8 NOT NULL,
    p_cable               float8 NOT NULL,
    p_charging            float8 NOT NULL,
    p_control             float8 NOT NULL,
    expected_loss         bigint,
    swap_cost             bigint,
    swap_by               date,
    evidence              text[] NOT NULL,
    PRIMARY KEY (unit, as_of, issue)
);
CREATE INDEX forecast_list ON forecast (issue, rank);
