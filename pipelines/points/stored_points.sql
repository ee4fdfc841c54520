select
    case_registry.case_key as case_id,
    timepoint,
    view,
    landmark,
    x,
    y,
    unit,
    y_axis,
    faces,
    examiner,
    cast(repeat_no as bigint) as repeat_no,
from landmarks
inner join case_registry on case_registry.case_no = landmarks.case_no
where landmarks.replaced_by is null and case_registry.case_key in (select unnest(?))
