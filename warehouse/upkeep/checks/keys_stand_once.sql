-- a case, visit, reading or point stands more than once among the rows in force
-- Columns: the table, how many keys stand more than once.
with

counted as (
    select 'cases' as table_name, count(*) as n from cases where replaced_by is null group by case_no
    union all
    select 'phases', count(*) from phases where replaced_by is null group by case_no, phase_no
    union all
    select 'visits', count(*) from visits where replaced_by is null group by case_no, timepoint
    union all
    select 'readings', count(*) from readings where replaced_by is null
    group by case_no, timepoint, examiner, repeat_no
    union all
    select 'landmarks', count(*) from landmarks where replaced_by is null
    group by case_no, timepoint, view, landmark, examiner, repeat_no
)

select table_name, count(*) as n_keys from counted where n > 1 group by table_name order by table_name
