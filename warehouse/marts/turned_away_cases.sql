-- mart_turned_away_cases: one row is one practice: cases handed over of which no row is in the warehouse.
-- Such a case belongs to the denominator's history: it was started, and validation turned its row away.
-- n_rows_without_case: rows whose case could not be read; only the last load of a file name counts, since a
-- corrected file of the same name speaks for them.
with

latest as (
    select
        practice,
        source_name,
        coalesce(source_sheet, '') as source_sheet,
        max(load_id) as load_id
    from loads
    group by practice, source_name, coalesce(source_sheet, '')
),

handed_over as (
    select distinct case_key from turned_away where case_key is not null
),

-- of the many cases of the warehouse only these few are looked at
known as (
    select
        case_registry.case_no,
        case_registry.case_key
    from case_registry
    inner join handed_over on handed_over.case_key = case_registry.case_key
),

in_warehouse as (
    select distinct known.case_key
    from cases
    inner join known on known.case_no = cases.case_no
    where cases.replaced_by is null
)

select
    loads.practice,
    count(distinct turned_away.case_key) as n_cases,
    count(distinct case
        when turned_away.case_key is null and latest.load_id is not null
            then loads.source_sha256 || '/' || turned_away.row_no
    end) as n_rows_without_case
from turned_away
inner join loads on loads.load_id = turned_away.load_id
left join latest on latest.load_id = loads.load_id
left join in_warehouse on in_warehouse.case_key = turned_away.case_key
where
    in_warehouse.case_key is null
    and loads.table_name = 'cases'
group by loads.practice
