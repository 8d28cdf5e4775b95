-- 0001_fleet: depots, units and what is fitted to them. Size: 1 row per depot, unit, fitting. Lock: none, the tables are new. Back: DROP TABLE.

CREATE TABLE depot (
    depot          text PRIMARY KEY,
    name           text NOT NULL,
    timezone       text NOT NULL,
    latitude       float8,
    longitude      float8,
    elevation_m    float8,
    swaps_per_week int,
    cost_centre    text NOT NULL DEFAULT ''
);

CREATE TABLE unit (
    unit           text PRIMARY KEY,
    depot          text NOT NULL REFERENCES depot,
    class          text NOT NULL,
    fuel           text NOT NULL CHECK (fuel IN ('petrol', 'diesel')),
    engine_litres  float8,
    system_volts   int NOT NULL CHECK (system_volts IN (12, 24)),
    batteries      int NOT NULL CHECK (batteries > 0),
    gearbox        text NOT NULL DEFAULT '' CHECK (gearbox IN ('', 'automatic', 'manual')),
    parked         text NOT NULL DEFAULT 'outdoors' CHECK (parked IN ('indoors', 'outdoors', 'plugged_in')),
    in_service_on  date,
    no_start_cost  bigint, -- minor units
    vin            text NOT NULL DEFAULT '',
    starts_per_day float8,
    criticality    int CHECK (criticality BETWEEN 1 AND 5)
);
CREATE INDEX unit_depot ON unit (depot);

CREATE TABLE battery_fitting (
    battery          text NOT NULL,
    unit             text NOT NULL REFERENCES unit,
    position         int NOT NULL CHECK (position > 0),
    part             text NOT NULL,
    chemistry        text NOT NULL CHECK (chemistry IN ('flooded', 'efb', 'agm', 'gel')),
    rated_cca_a      float8 NOT NULL CHECK (rated_cca_a > 0),
    cca_standard     text NOT NULL CHECK (cca_standard IN ('sae', 'en', 'din', 'iec', 'jis')),
    rated_ah         float8,
    made_on          date,
    fitted_on        date, -- null: unknown
    removed_on       date,
    removed_because  text NOT NULL DEFAULT '' CHECK (removed_because IN ('', 'failed', 'preventive', 'damaged', 'sold', 'other')),
    price            bigint,
    core_deposit     bigint,
    core_returned_on date,
    free_months      int,
    prorata_months   int
);
-- An unknown date is a value of the key too; coalesce serves servers before 15, which lack NULLS NOT DISTINCT.
CREATE UNIQUE INDEX battery_fitting_key ON battery_fitting (battery, coalesce(fitted_on, '-infinity'::date));
CREATE INDEX battery_fitting_unit ON battery_fitting (unit, position, fitted_on);

CREATE TABLE starter_fitting (
    starter          text NOT NULL,
    unit             text NOT NULL REFERENCES unit,
    part             text NOT NULL,
    fitted_on        date,
    removed_on       date,
    removed_because  text NOT NULL DEFAULT '' CHECK (removed_because IN ('', 'failed', 'preventive', 'damaged', 'sold', 'other')),
    price            bigint,
    core_deposit     bigint,
    core_returned_on date,
    free_months      int
);
CREATE UNIQUE INDEX starter_fitting_key ON starter_fitting (starter, coalesce(fitted_on, '-infinity'::date));
CREATE INDEX starter_fitting_unit ON starter_fitting (unit, fitted_on);
