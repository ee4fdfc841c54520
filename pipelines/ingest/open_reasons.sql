with

latest as (
    select request_sha256, max(load_id) as load_id from loads group by request_sha256
),

listed as (
    select
        $table.*,
        loads.practice,
        loads.source_name,
        loads.source_sheet,
        loads.source_sha256,
        loads.loaded_at,
    from $table
    inner join loads on loads.load_id = $table.load_id
    inner join latest on latest.load_id = loads.load_id
),

settled as (
    -- a later load of the same table took the case in, so the reason no longer stands
    select distinct listed.load_id, listed.row_no, listed.table_name
    from listed
    inner join case_registry on case_registry.case_key = listed.case_key
    inner join cases on cases.case_no = case_registry.case_no and cases.replaced_by is null
    inner join loads on loads.load_id = cases.load_id
    where cases.load_id > listed.load_id
)

select
    listed.*,
    -- a row whose case could not be read is settled by a later load of a file of the same name
    settled.load_id is not null
    or (listed.case_key is null and exists (
        select 1 from loads
        where loads.practice = listed.practice
            and loads.source_name = listed.source_name
            and loads.load_id > listed.load_id
    )) as is_settled
from listed
left join settled
    on settled.load_id = listed.load_id
    and settled.row_no = listed.row_no
    and settled.table_name = listed.table_name
order by listed.load_id, listed.row_no, listed.rule
