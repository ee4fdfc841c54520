-- One row is one counted case of a selection. Key: case_key. before, after and expected are in the unit of the measure;
-- beyond is the quantity compared with the threshold, turned so that more is worse. $cases: mart_cases, or some of it
-- under that name.
select
    mart_cases.case_key,
    mart_cases.practice,
    mart_cases.sex,
    mart_cases.age_at_start,
    mart_cases.appliance_first as appliance,
    mart_spans.months,
    mart_spans.${code}__before as before,
    mart_spans.${code}__after as after,
    $expected as expected,
    $sign * mart_outcomes.value as beyond,
    mart_outcomes.status,
    mart_spans.${code}__before is not null and mart_spans.${code}__after is not null as is_drawn
from $outcomes
inner join $cases on mart_cases.case_no = mart_outcomes.case_no
inner join mart_spans on mart_spans.case_no = mart_outcomes.case_no and mart_spans.span = ?
where mart_outcomes.step_no = $counted and $condition
