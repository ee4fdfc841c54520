-- The store of a practice: what was loaded, by which load, and what a later load replaced.
-- Rows are only ever added; a replaced row keeps its place and names the load that replaced it.
-- Uniqueness of current rows is held by the load (it replaces by key in one transaction) and by
-- `menton verify`, not by an index: an index over millions of readings would cost more than the load.

create table loads (
    load_id integer primary key,
    practice varchar not null,
    layout varchar not null check (layout in ('wide', 'tabular', 'points')),
    table_name varchar not null,
    source_name varchar not null,
    source_sheet varchar,
    source_sha256 varchar not null check (length(source_sha256) = 64),
    source_bytes bigint not null check (source_bytes >= 0),
    request_sha256 varchar not null,
    loaded_at timestamp not null,
    tool_version varchar not null,
    contract_version varchar not null,
    assumptions varchar not null,
    n_read bigint not null check (n_read >= 0),
    n_loaded bigint not null check (n_loaded >= 0),
    n_turned_away bigint not null check (n_turned_away >= 0),
    check (n_read = n_loaded + n_turned_away),
);

create table case_registry (
    case_no integer not null check (case_no > 0),
    practice varchar not null,
    case_key varchar not null,
);

create table cases (
    case_no integer not null,
    load_id integer not null,
    row_no integer not null,
    sex varchar not null check (sex in ('male', 'female', 'other', 'unknown')),
    age_at_start double check (age_at_start between 0 and 90),
    cvm_stage varchar,
    incisor_class varchar,
    molar_class varchar,
    extracted_teeth varchar,
    absent_teeth varchar,
    start_quarter varchar,
    selection varchar not null check (selection in ('consecutive', 'selected')),
    status varchar not null,
    comparison varchar not null check (comparison in ('treated', 'untreated')),
    clinician varchar,
    wear_reported varchar,
    replaced_by integer,
);

create table phases (
    case_no integer not null,
    load_id integer not null,
    row_no integer not null,
    phase_no integer not null check (phase_no > 0),
    appliance_category varchar not null,
    arch varchar,
    skeletal_anchorage varchar,
    months_from_start double,
    months_duration double check (months_duration >= 0),
    replaced_by integer,
);

create table visits (
    case_no integer not null,
    load_id integer not null,
    row_no integer not null,
    timepoint varchar not null check (timepoint in ('start', 'progress', 'finish', 'follow_up')),
    months_from_start double,
    magnification_pct double,
    porion_kind varchar,
    gonion_kind varchar,
    image_scale_mm_per_px double,
    records_taken varchar,
    mouth_posture varchar,
    joint_symptoms varchar,
    sleep_breathing_concern varchar,
    replaced_by integer,
);

-- One row is one reading of one set of records by one examiner; a column a measure is added from the catalogue.
create table readings (
    case_no integer not null,
    load_id integer not null,
    row_no integer not null,
    timepoint varchar not null check (timepoint in ('start', 'progress', 'finish', 'follow_up')),
    examiner varchar not null,
    repeat_no integer not null check (repeat_no > 0),
    replaced_by integer,
);

create table landmarks (
    case_no integer not null,
    load_id integer not null,
    row_no integer not null,
    timepoint varchar not null check (timepoint in ('start', 'progress', 'finish', 'follow_up')),
    view varchar not null,
    landmark varchar not null,
    x double not null,
    y double not null,
    unit varchar not null check (unit in ('mm', 'px')),
    y_axis varchar not null check (y_axis in ('up', 'down')),
    faces varchar not null check (faces in ('right', 'left')),
    examiner varchar not null,
    repeat_no integer not null check (repeat_no > 0),
    replaced_by integer,
);

-- One row is one reason why one row of a file was turned away (or, in remarks, was loaded with a remark).
create table turned_away (
    load_id integer not null,
    table_name varchar not null,
    row_no integer not null,
    column_name varchar,
    rule varchar not null,
    found varchar,
    case_key varchar,
);

create table remarks (
    load_id integer not null,
    table_name varchar not null,
    row_no integer not null,
    column_name varchar,
    rule varchar not null,
    found varchar,
    case_key varchar,
);

-- What a person added to the catalogues or chose; the newest entry of a kind and name is in force.
create table registrations (
    entry integer primary key,
    kind varchar not null check (kind in ('definition', 'measure', 'growth_reference', 'setting', 'plan')),
    name varchar not null,
    version varchar not null,
    body varchar not null,
    registered_at timestamp not null,
);

create table events (
    entry integer primary key,
    happened_at timestamp not null,
    what varchar not null,
    detail varchar not null,
);

create table publications (
    build integer primary key,
    build_id varchar not null,
    published_at timestamp not null,
    last_load integer not null,
    last_registration integer not null,
);
