-- records with points whose visit said another enlargement or scale than it says now
select count(*)
from given_visits
inner join case_registry on case_registry.case_key = given_visits.case_id
inner join visits
    on visits.case_no = case_registry.case_no
    and visits.timepoint = given_visits.timepoint
    and visits.replaced_by is null
    and ($differs)
where exists (
    select 1 from landmarks
    where landmarks.case_no = visits.case_no
        and landmarks.timepoint = visits.timepoint
        and landmarks.replaced_by is null
)
