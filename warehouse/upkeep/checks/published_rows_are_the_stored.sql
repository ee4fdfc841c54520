-- the published snapshot has not the rows that the store has
-- Asked only while the snapshot is of the state the store is in.
-- Columns: what, rows in the store, rows published.
with

counted as (
    select
        'cases' as what,
        (select count(*) from cases where replaced_by is null) as n_stored,
        (select count(*) from mart.main.mart_cases) as n_published
    union all
    select
        'times',
        (select count(*) from (
            select case_no, timepoint from visits where replaced_by is null
            union
            select case_no, timepoint from readings where replaced_by is null
        )),
        (select count(*) from mart.main.mart_timeline)
    union all
    select
        'readings',
        (select count(*) from readings where replaced_by is null),
        (select coalesce(sum(n_readings), 0) from mart.main.mart_timeline)
    union all
    select
        'points',
        (select count(*) from landmarks where replaced_by is null),
        (select count(*) from mart.main.mart_landmarks)
    union all
    select 'loads', (select count(*) from loads), (select count(*) from mart.main.mart_loads)
    union all
    select 'reasons', (select count(*) from turned_away), (select count(*) from mart.main.mart_turned_away)
    union all
    select 'remarks', (select count(*) from remarks), (select count(*) from mart.main.mart_remarks)
)

select what, n_stored, n_published from counted where n_stored <> n_published order by what
