-- The numbers of every load, after rows were taken out. Of measurements, whose rows are joined to readings, the number
-- of rows stays while a reading is left.
update loads
set
    n_loaded = counted.n_loaded,
    n_turned_away = counted.n_turned_away,
    n_read = counted.n_loaded + counted.n_turned_away
from (
    select
        loads.load_id,
        case
            when loads.table_name = 'measurements' and found.n > 0 then loads.n_loaded
            else coalesce(found.n, 0)
        end as n_loaded,
        coalesce(given.n, 0) as n_turned_away
    from loads
    left join (
        select 'cases' as table_name, load_id, count(distinct row_no) as n from cases group by load_id
        union all
        select 'phases', load_id, count(distinct row_no) from phases group by load_id
        union all
        select 'visits', load_id, count(distinct row_no) from visits group by load_id
        union all
        select 'landmarks', load_id, count(distinct row_no) from landmarks group by load_id
        union all
        select 'measurements', load_id, count(distinct row_no) from readings group by load_id
    ) as found on found.load_id = loads.load_id and found.table_name = loads.table_name
    left join (
        select load_id, count(distinct row_no) as n from turned_away group by load_id
    ) as given on given.load_id = loads.load_id
) as counted
where counted.load_id = loads.load_id
