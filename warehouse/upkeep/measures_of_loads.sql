-- one row a case and time: what is kept of the cases of cases_of_loads.sql
select
    substring(mart_cases.case_key, 1, 10) as case,
    mart_timeline.* exclude (case_no, has_records, n_readings)
from mart_timeline
inner join mart_cases on mart_cases.case_no = mart_timeline.case_no
where mart_cases.case_no in (select case_no from mart_cases where load_id > ? order by case_no limit $most)
order by mart_cases.case_no, months_from_start
