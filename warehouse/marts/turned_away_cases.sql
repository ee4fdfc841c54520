-- mart_turned_away_cases: one row is one practice: cases handed over of which no row is in the warehouse.
-- Such a case belongs to the denominator's history: it was started, and validation turned its row away.
-- n_rows_without_case: rows whose case could not be read, as far as nothing later speaks for them.
with

-- of the many cases of the warehouse only these few are looked at
known as (
    select distinct
        case_registry.case_no,
        case_registry.case_key
    from case_registry
    inner join mart_turned_away on mart_turned_away.case_key = case_registry.case_key
),

in_warehouse as (
    select distinct known.case_key
    from cases
    inner join known on known.case_no = cases.case_no
    where cases.replaced_by is null
)

select
    loads.practice,
    count(distinct mart_turned_away.case_key) as n_cases,
    count(distinct case
        when mart_turned_away.case_key is null then loads.source_sha256 || '/' || mart_turned_away.row_no
    end) as n_rows_without_case
from mart_turned_away
inner join loads on loads.load_id = mart_turned_away.load_id
left join in_warehouse on in_warehouse.case_key = mart_turned_away.case_key
where
    in_warehouse.case_key is null
    and loads.table_name = 'cases'
    and mart_turned_away.is_open
group by loads.practice
