-- one row is one case under one definition
select
    case_no,
    $id as definition_id,
    $version as definition_version,
    $family as family,
    case
        when ${prefix}_step <> $counted then 'not assessable'
        when ${prefix}_adverse then 'adverse'
        else 'not adverse'
    end as status,
    case ${prefix}_step $named end as step,
    ${prefix}_step as step_no,
    ${prefix}_adverse as is_adverse,
    ${prefix}_value as value,
    ${prefix}_favourable as is_favourable,
    ${prefix}_known as is_known_adverse
from mart_results
