-- One row is one case of a selection with a measure read at the start, on the way and at the finish. Key: case_no.
select
    mart_cases.case_no,
    at_start.$code as at_start,
    at_progress.$code as at_progress,
    at_finish.$code as at_finish
from mart_cases
inner join mart_timeline as at_start on at_start.case_no = mart_cases.case_no and at_start.timepoint = 'start'
inner join mart_timeline as at_progress
    on at_progress.case_no = mart_cases.case_no and at_progress.timepoint = 'progress'
inner join mart_timeline as at_finish on at_finish.case_no = mart_cases.case_no and at_finish.timepoint = 'finish'
where
    at_start.$code is not null and at_progress.$code is not null and at_finish.$code is not null and $condition
order by mart_cases.case_no
