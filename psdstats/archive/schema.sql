-- An archive of trials.  Sizes in µm, span without unit; u, own_u and ratios are relative.
-- A trial stands under its path from the folder of this file, or under its full path elsewhere.

CREATE TABLE trials (
    trial INTEGER PRIMARY KEY,
    path TEXT NOT NULL UNIQUE,
    sha256 TEXT NOT NULL,              -- over names and content of its files
    stamp TEXT NOT NULL,               -- sizes and times of its files when it was evaluated
    made_by TEXT NOT NULL,
    gone INTEGER NOT NULL,             -- 1 where it is no longer found
    judged INTEGER NOT NULL,           -- 1 where its verdicts were asked for
    title TEXT,
    material TEXT,
    study_date TEXT,                   -- year-month-day
    runs INTEGER,
    groups INTEGER,
    warnings INTEGER,                  -- of the bench checks
    refusal TEXT                       -- why it cannot be evaluated
);

CREATE TABLE runs (
    trial INTEGER NOT NULL REFERENCES trials (trial) ON DELETE CASCADE,
    run TEXT NOT NULL,
    run_group TEXT NOT NULL,
    milling_time_min REAL NOT NULL,
    run_date TEXT,
    labels TEXT NOT NULL               -- further columns of the run table, as JSON
);

-- One row a run and size, by its own readings.
CREATE TABLE sizes (
    trial INTEGER NOT NULL REFERENCES trials (trial) ON DELETE CASCADE,
    run TEXT NOT NULL,
    quantity TEXT NOT NULL,
    size REAL,
    lower REAL,
    upper REAL,
    status TEXT NOT NULL,
    u REAL,                            -- of the measurement, 1 standard deviation
    own_u REAL,                        -- what of it the run shares with no other
    shared TEXT NOT NULL               -- the rest by name of what shares it, as JSON
);

-- One row a milling time and size: mean of the runs by their own readings, at each level of the
-- further factors; two standard uncertainties of the measurement either way, or the bounds of it.
CREATE TABLE means (
    trial INTEGER NOT NULL REFERENCES trials (trial) ON DELETE CASCADE,
    quantity TEXT NOT NULL,
    place TEXT NOT NULL,
    milling_time_min REAL NOT NULL,
    runs INTEGER NOT NULL,
    size REAL,
    lower REAL,
    upper REAL
);

-- Scatter of ln size among runs alike, and what of it the measurement is expected to make.
CREATE TABLE spreads (
    trial INTEGER NOT NULL REFERENCES trials (trial) ON DELETE CASCADE,
    quantity TEXT NOT NULL,
    df REAL NOT NULL,
    sum_of_squares REAL NOT NULL,
    of_measurement REAL NOT NULL
);

-- One row a trial and size, or level of its further factors, as psdstats compare answers it; none
-- where no verdicts were asked for.
CREATE TABLE answers (
    trial INTEGER NOT NULL REFERENCES trials (trial) ON DELETE CASCADE,
    quantity TEXT NOT NULL,
    place TEXT,                        -- level of the further factors
    first TEXT,
    last TEXT,
    start_size REAL,
    start_lower REAL,
    start_upper REAL,
    end_size REAL,
    end_lower REAL,
    end_upper REAL,
    ratio REAL,                        -- last over first
    ratio_lower REAL,
    ratio_upper REAL,
    df REAL,
    p REAL,                            -- of no change, in the family of its contrast
    verdict TEXT NOT NULL,
    since TEXT,                        -- time from which all later ones are finer
    ending TEXT,                       -- when to stop
    enough_since TEXT,
    reason TEXT,
    run_percent REAL,                  -- spread between runs, and what it rests on
    run_df REAL,
    run_basis TEXT
);

CREATE INDEX runs_of_trial ON runs (trial);
CREATE INDEX sizes_of_trial ON sizes (trial);
CREATE INDEX means_of_trial ON means (trial, quantity, place, milling_time_min);
CREATE INDEX spreads_of_trial ON spreads (trial);
CREATE INDEX answers_of_trial ON answers (trial);

CREATE VIEW noted AS SELECT path, stamp, sha256, made_by, judged, gone FROM trials;

CREATE VIEW trial_list AS
SELECT path, title, material, study_date, runs, groups, warnings, refusal, gone, sha256, made_by,
    judged
FROM trials ORDER BY path;

-- What each trial began with and came to: as compare answers it, else by the readings of the runs;
-- number keeps the order in which its rows were written.
CREATE VIEW answer_list AS
SELECT path, title, material, study_date, 'compare' AS sizes_by, answers.*, answers.rowid AS number
FROM answers JOIN trials USING (trial)
UNION ALL
SELECT path, title, material, study_date, 'own readings', trial, quantity, place,
    printf('%g', first), printf('%g', last),
    began.size, began.lower, began.upper, came.size, came.lower, came.upper,
    NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, began.number
FROM trials
JOIN (
    SELECT trial, quantity, place, min(milling_time_min) AS first, size, lower, upper,
        rowid AS number
    FROM means GROUP BY trial, quantity, place
) AS began USING (trial)
JOIN (
    SELECT trial, quantity, place, max(milling_time_min) AS last, size, lower, upper
    FROM means GROUP BY trial, quantity, place
) AS came USING (trial, quantity, place)
WHERE NOT judged AND first < last
ORDER BY study_date, path, number;

CREATE VIEW run_list AS
SELECT path, title, material, study_date, runs.* FROM runs JOIN trials USING (trial)
ORDER BY run_date, path, runs.rowid;

CREATE VIEW size_list AS SELECT * FROM sizes ORDER BY rowid;

CREATE VIEW mean_list AS
SELECT path, title, material, study_date, means.* FROM means JOIN trials USING (trial)
ORDER BY study_date, path, means.rowid;

CREATE VIEW spread_list AS
SELECT path, spreads.* FROM spreads JOIN trials USING (trial) ORDER BY path, spreads.rowid;
