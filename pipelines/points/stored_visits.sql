select
    case_registry.case_key as case_id,
    timepoint,
    magnification_pct,
    image_scale_mm_per_px,
    porion_kind,
    gonion_kind,
from visits
inner join case_registry on case_registry.case_no = visits.case_no
where visits.replaced_by is null and case_registry.case_key in (select unnest(?))
