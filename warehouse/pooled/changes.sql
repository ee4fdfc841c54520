-- Case key and change of the cases counted under a definition
select mart_cases.case_key, mart_outcomes.value
from mart_outcomes
inner join mart_cases on mart_cases.case_no = mart_outcomes.case_no
where mart_outcomes.definition_id = ? and mart_outcomes.value is not null
    and mart_outcomes.status in ('adverse', 'not adverse') and $where
