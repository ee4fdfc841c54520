-- One row is one reading of a measure of a case of a selection, at a time of treatment. Key: case_no, months.
select
    mart_cases.case_no,
    mart_timeline.months_from_start as months,
    mart_timeline.$code as value$columns
from mart_timeline
inner join mart_cases on mart_cases.case_no = mart_timeline.case_no
where mart_timeline.timepoint in ('start', 'progress', 'finish') and mart_timeline.$code is not null and $condition
order by mart_cases.case_no, mart_timeline.months_from_start
