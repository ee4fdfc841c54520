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
left join case_registry on case_registry.case_key = turned_away.case_key
left join cases
    on cases.case_no = case_registry.case_no
    and cases.replaced_by is null
where
    cases.case_no is null
    and loads.table_name = 'cases'
group by loads.practice
