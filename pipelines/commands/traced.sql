-- One row is one case with a tracing that has all of some points at the start, and one at the finish. Key: case_no.
select traced.case_no
from (
    select case_no, timepoint
    from mart_landmarks
    where list_contains(?, landmark) and timepoint in ('start', 'finish')
    group by case_no, timepoint, view, examiner, repeat_no
    having count(distinct landmark) = ?
) as traced
group by traced.case_no
having count(distinct traced.timepoint) = 2
