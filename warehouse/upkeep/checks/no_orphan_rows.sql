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
    select listed.table_name, 'case' as missing
    from listed
    left join case_registry on case_registry.case_no = listed.case_no
    where case_registry.case_no is null
    union all
    select listed.table_name, 'load'
    from listed
    left join loads on loads.load_id = listed.load_id
    where loads.load_id is null
    union all
    select listed.table_name, 'later load'
    from listed
    left join loads on loads.load_id = listed.replaced_by
    where
        listed.replaced_by is not null
        and (listed.replaced_by <= listed.load_id or loads.load_id is null)
    union all
    select 'remarks', 'load'
    from remarks
    left join loads on loads.load_id = remarks.load_id
    where loads.load_id is null
)

select table_name, missing, count(*) as n from faults group by all order by all
