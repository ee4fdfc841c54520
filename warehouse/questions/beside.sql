-- One row is the counted cases of a selection that agree in a group of one grouping ($groups) and either in their value or,
-- value being null, in what the value was read from. Key: all but n; the groups of other groupings are null. The measure
-- is the one the definition's value was taken from, null where that cannot be told; the practice is null where none of its
-- repeats is in use.
select $groups, value, practice, measure, growth_sd, growth, count(*) as n
from (
    select
        $named,
        $columns
    from $outcomes
    inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no
    left join mart_spans on mart_spans.case_no = mart_outcomes.case_no and mart_spans.span = $span
    $memberships
    where mart_outcomes.step_no = $counted and mart_outcomes.value is not null and $condition
) as counted
group by grouping sets ($sets)
