-- One row is the counted cases of a selection that agree in group, practice, measure and facts ($facts).
-- Key: all but n. The measure is the one the definition's value was taken from, null where that cannot be told.
select $groups, practice, measure, $facts, count(*) as n
from (
    select
        $named,
        cast(mart_cases.practice as varchar) as practice,
        $columns
    from $outcomes
    inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no
    left join mart_spans on mart_spans.case_no = mart_outcomes.case_no and mart_spans.span = $span
    $memberships
    where mart_outcomes.step = 'counted' and mart_outcomes.value is not null and $condition
) as counted
group by $sets
