-- Loads that rest on the load ?: values were taken over from its readings, points or visits, or their cases came with
-- it alone. One row is one load.
with

of_load as (
    select load_id, layout from loads where load_id = ?
),

touched as (
    select distinct case_no from readings where load_id = (select load_id from of_load)
    union
    select distinct case_no from landmarks where load_id = (select load_id from of_load)
    union
    select distinct case_no from visits where load_id = (select load_id from of_load)
),

only_here as (
    select case_no
    from cases
    group by case_no
    having min(load_id) = (select load_id from of_load) and max(load_id) = (select load_id from of_load)
),

rests as (
    select readings.load_id
    from readings
    inner join loads on loads.load_id = readings.load_id
    inner join of_load on of_load.load_id < readings.load_id
    where readings.case_no in (select case_no from touched) and not (loads.layout = 'wide' and of_load.layout = 'wide')
    union all
    select load_id from phases where case_no in (select case_no from only_here)
    union all
    select load_id from visits where case_no in (select case_no from only_here)
    union all
    select load_id from readings where case_no in (select case_no from only_here)
    union all
    select load_id from landmarks where case_no in (select case_no from only_here)
)

select distinct load_id from rests where load_id <> (select load_id from of_load) order by load_id
