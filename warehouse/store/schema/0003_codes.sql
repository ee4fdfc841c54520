-- What the contract gives a list of codes for is kept as an enumeration: nothing else can be stored, and a code takes a
-- byte. A later contract that adds a code needs a migration that widens the list.

create table coded_cases (
    case_no integer not null,
    load_id integer not null,
    row_no integer not null,
    sex enum ('male', 'female', 'other', 'unknown') not null,
    age_at_start double check (age_at_start between 0 and 90),
    cvm_stage enum ('CS1', 'CS2', 'CS3', 'CS4', 'CS5', 'CS6'),
    incisor_class enum ('I', 'II/1', 'II/2', 'III'),
    molar_class enum ('I', 'II', 'III'),
    extracted_teeth varchar,
    absent_teeth varchar,
    start_quarter varchar,
    selection enum ('consecutive', 'selected') not null,
    status enum ('finished', 'in_treatment', 'stopped_early', 'moved_away', 'no_return') not null,
    comparison enum ('treated', 'untreated') not null,
    clinician varchar,
    wear_reported enum ('good', 'partial', 'poor'),
    replaced_by integer,
);

insert into coded_cases select * from cases;

drop table cases;

alter table coded_cases rename to cases;

create table coded_phases (
    case_no integer not null,
    load_id integer not null,
    row_no integer not null,
    phase_no integer not null check (phase_no > 0),
    appliance_category enum (
        'fixed_labial', 'fixed_lingual', 'removable_plate', 'functional_removable',
        'functional_fixed', 'headgear_cervical', 'headgear_high_pull', 'headgear_combination',
        'expander_tooth_borne', 'expander_bone_borne', 'facemask', 'clear_aligner', 'myofunctional',
        'surgery', 'untreated'
    ) not null,
    arch enum ('upper', 'lower', 'both'),
    skeletal_anchorage enum ('yes', 'no'),
    months_from_start double,
    months_duration double check (months_duration >= 0),
    replaced_by integer,
);

insert into coded_phases select * from phases;

drop table phases;

alter table coded_phases rename to phases;

create table coded_visits (
    case_no integer not null,
    load_id integer not null,
    row_no integer not null,
    timepoint enum ('start', 'progress', 'finish', 'follow_up') not null,
    months_from_start double,
    magnification_pct double,
    porion_kind enum ('anatomic', 'machine'),
    gonion_kind enum ('constructed', 'anatomic'),
    image_scale_mm_per_px double,
    records_taken enum ('yes', 'no'),
    mouth_posture enum ('closed', 'open', 'mixed'),
    joint_symptoms enum ('yes', 'no', 'not asked'),
    sleep_breathing_concern enum ('yes', 'no', 'not asked'),
    replaced_by integer,
);

insert into coded_visits select * from visits;

drop table visits;

alter table coded_visits rename to visits;

create table coded_landmarks (
    case_no integer not null,
    load_id integer not null,
    row_no integer not null,
    timepoint enum ('start', 'progress', 'finish', 'follow_up') not null,
    view enum ('lateral_radiograph', 'profile_photo', 'frontal_photo') not null,
    landmark varchar not null,
    x double not null,
    y double not null,
    unit enum ('mm', 'px') not null,
    y_axis enum ('up', 'down') not null,
    faces enum ('right', 'left') not null,
    examiner varchar not null,
    repeat_no integer not null check (repeat_no > 0),
    replaced_by integer,
);

insert into coded_landmarks select * from landmarks;

drop table landmarks;

alter table coded_landmarks rename to landmarks;

-- The readings have a column a measure, which differ from store to store; of them the table is made anew.
create table coded_readings as
select * replace (cast(timepoint as enum ('start', 'progress', 'finish', 'follow_up')) as timepoint) from readings;

drop table readings;

alter table coded_readings rename to readings;

alter table readings alter case_no set not null;

alter table readings alter load_id set not null;

alter table readings alter row_no set not null;

alter table readings alter timepoint set not null;

alter table readings alter examiner set not null;

alter table readings alter repeat_no set not null;
