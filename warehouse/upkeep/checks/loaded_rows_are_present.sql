-- rows of a load are missing from the tables, or are too many
-- Several rows of measurements make one reading, so of those only the presence of a reading is asked.
-- Columns: the load, rows the load counted, rows found.
with

found as (
    select 'cases' as table_name, load_id, count(distinct row_no) as n from cases group by load_id
    union all
    select 'phases', load_id, count(distinct row_no) from phases group by load_id
    union all
    select 'visits', load_id, count(distinct row_no) from visits group by load_id
    union all
    select 'landmarks', load_id, count(distinct row_no) from landmarks group by load_id
    union all
    select 'measurements', load_id, count(distinct row_no) from readings group by load_id
)

select loads.load_id, loads.n_loaded, coalesce(found.n, 0) as n_found
from loads
left join found on found.load_id = loads.load_id and found.table_name = loads.table_name
where case
    when loads.table_name = 'measurements'
        then (loads.n_loaded > 0) <> (coalesce(found.n, 0) > 0) or coalesce(found.n, 0) > loads.n_loaded
    else coalesce(found.n, 0) <> loads.n_loaded
end
order by loads.load_id
