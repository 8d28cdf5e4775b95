-- 0017_anew: what is said of a unit with the parts and tests that came after the newest list, which itself stays as it was issued. Size: 1 row
-- of 2 kB per unit with news; those of older lists go. Lock: battery_test and the fittings are read-only while their indices are built, a
-- second or two per million rows. Back: DROP TABLE and DROP INDEX; nothing is lost that cannot be judged again.

CREATE TABLE anew (
    unit       text PRIMARY KEY REFERENCES unit,
    issue      bigint NOT NULL REFERENCES issue,
    depot      text NOT NULL,
    made_of    text NOT NULL, -- what had come when it was judged
    judged_at  timestamptz NOT NULL DEFAULT now(),
    as_of      date NOT NULL,
    battery_on date,
    starter_on date,
    tested_on  date,
    night_limit_c float8 NOT NULL, -- with freezes_at_c as in outlook
    freezes_at_c  float8,
    forecast   json NOT NULL,
    ahead      json NOT NULL
);
CREATE INDEX anew_depot ON anew (issue, depot);

-- What came after a day, without going through all that came before it.
CREATE INDEX battery_fitting_on ON battery_fitting (fitted_on);
CREATE INDEX starter_fitting_on ON starter_fitting (fitted_on);
CREATE INDEX battery_test_at ON battery_test (tested_at);
