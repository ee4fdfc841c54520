-- One row is the cases of a selection in a group of one grouping ($groups; the groups of other groupings are null) that
-- came as far as one step under a definition. Key: groups, definition_id, step_no. Cases alike are counted first, by their codes: text is only met after that.
select
    $groups,
    definition_id,
    step_no,
    sum(n) as n,
    sum(case when is_adverse then n else 0 end) as adverse,
    sum(case when is_favourable then n else 0 end) as favourable,
    sum(case when is_favourable is not null then n else 0 end) as could_turn,
    sum(case when is_known_adverse is not null then n else 0 end) as known,
    sum(case when is_known_adverse then n else 0 end) as known_adverse,
    sum(case when step_no = $counted and has_surgery then n else 0 end) as operated,
    sum(case when step_no = $counted and has_two_examiners then n else 0 end) as two_examiners
from (
    select
        $named,
        definition_id,
        step_no,
        is_adverse,
        is_favourable,
        is_known_adverse,
        has_surgery,
        has_two_examiners,
        n
    from (
        select
            ${columns}mart_outcomes.definition_id,
            mart_outcomes.step_no,
            mart_outcomes.is_adverse,
            mart_outcomes.is_favourable,
            mart_outcomes.is_known_adverse,
            mart_cases.has_surgery,
            mart_cases.has_two_examiners,
            count(*) as n
        from $outcomes
        inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no
        $memberships
        where $condition
        group by
            ${columns_alone}mart_outcomes.definition_id,
            mart_outcomes.step_no,
            mart_outcomes.is_adverse,
            mart_outcomes.is_favourable,
            mart_outcomes.is_known_adverse,
            mart_cases.has_surgery,
            mart_cases.has_two_examiners
    ) as alike
) as named
group by grouping sets ($sets)
