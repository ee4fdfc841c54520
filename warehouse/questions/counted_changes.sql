-- One row is one counted case of a selection (one for each of its groups): the quantity compared with the threshold,
-- signed so that a larger one is worse.
select
    $sign * mart_outcomes.value as value,
    mart_outcomes.status = 'adverse' as is_adverse,
    coalesce(mart_outcomes.is_favourable, false) as is_favourable$grouped
from $outcomes
inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no$memberships
where mart_outcomes.value is not null and $condition
