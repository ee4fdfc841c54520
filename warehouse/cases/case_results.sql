-- One row is one case: sex, age, mouth posture, and each measure and the months at each time. Key: case_no.
select
    mart_cases.case_no,
    any_value(cast(mart_cases.sex as varchar)) as sex,
    any_value(mart_cases.age_at_start) as age_at_start,
    any_value(cast(mart_cases.mouth_posture_start as varchar)) as mouth_posture_start,
    $columns
from mart_cases
left join mart_timeline on mart_timeline.case_no = mart_cases.case_no
group by mart_cases.case_no
order by mart_cases.case_no
