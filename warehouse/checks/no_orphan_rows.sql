-- rows name a case that is not registered, a load that is not recorded, or a later load that is not there
-- Columns: the table, what is missing, how many rows.
with

listed as (
    select 'cases' as table_name, case_no, load_id, replaced_by from cases
    union all
    select 'phases', case_no, load_id, replaced_by from phases
    union all
    select 'visits', case_no, load_id, replaced_by from visits
    union all
    select 'readings', case_no, load_id, replaced_by from readings
    union all
    select 'landmarks', case_no, load_id, replaced_by from landmarks
),

faults as (
    select table_name, 'case' as missing from listed
    where case_no not in (select case_no from case_registry)
    union all
    select table_name, 'load' from listed
    where load_id not in (select load_id from loads)
    union all
    select table_name, 'later load' from listed
    where replaced_by is not null
        and (replaced_by <= load_id or replaced_by not in (select load_id from loads))
    union all
    select 'remarks', 'load' from remarks where load_id not in (select load_id from loads)
)

select table_name, missing, count(*) as n from faults group by all order by all
