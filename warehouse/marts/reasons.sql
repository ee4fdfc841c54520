-- mart_turned_away, mart_remarks: one row is one reason why a row of a file was turned away, or remarked on.
-- is_open: nothing later speaks for it. Of a case that is the last load that gave a reason, and only while no later load
-- took the case in; of a row whose case could not be read, the last load of the file.
with

latest as (
    select
        practice,
        source_name,
        coalesce(source_sheet, '') as source_sheet,
        table_name,
        max(load_id) as load_id
    from loads
    group by practice, source_name, coalesce(source_sheet, ''), table_name
),

said as (
    select
        $table.case_key,
        loads.table_name,
        max($table.load_id) as load_id
    from $table
    inner join loads on loads.load_id = $table.load_id
    where $table.case_key is not null
    group by $table.case_key, loads.table_name
),

-- of the many cases of the warehouse only these few are looked at
known as (
    select distinct
        case_registry.case_no,
        case_registry.case_key
    from case_registry
    inner join said on said.case_key = case_registry.case_key
),

brought as (
    select case_no, load_id from cases
    union all
    select case_no, load_id from phases
    union all
    select case_no, load_id from visits
    union all
    select case_no, load_id from readings
    union all
    select case_no, load_id from landmarks
),

taken as (
    select
        known.case_key,
        loads.table_name,
        max(brought.load_id) as load_id
    from brought
    inner join known on known.case_no = brought.case_no
    inner join loads on loads.load_id = brought.load_id
    group by known.case_key, loads.table_name
)

select
    $table.load_id,
    $table.table_name,
    $table.row_no,
    $table.column_name,
    $table.rule,
    $table.found,
    $table.case_key,
    case
        when $table.case_key is null then latest.load_id is not null
        else $table.load_id = said.load_id and coalesce(taken.load_id, 0) <= $table.load_id
    end as is_open
from $table
inner join loads on loads.load_id = $table.load_id
left join latest on latest.load_id = $table.load_id
left join said on said.case_key = $table.case_key and said.table_name = loads.table_name
left join taken on taken.case_key = $table.case_key and taken.table_name = loads.table_name
