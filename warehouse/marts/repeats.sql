-- One row is one practice: pairs of the first reading and of one of those after it, by the same examiner.
-- n_, s_, q_ and f_<measure>: number of pairs, sum, sum of squares and of fourth powers of first minus second reading
-- (in its unit;
-- lengths of a film as on the film, which makes their error at most the enlargement larger than at true size).
select
    case_registry.practice$sums
from readings as first_reading
inner join readings as second_reading
    on second_reading.case_no = first_reading.case_no
    and second_reading.timepoint = first_reading.timepoint
    and second_reading.examiner = first_reading.examiner
inner join case_registry on case_registry.case_no = first_reading.case_no
where
    first_reading.repeat_no = 1
    and second_reading.repeat_no = $second
    and first_reading.replaced_by is null
    and second_reading.replaced_by is null
group by case_registry.practice
order by case_registry.practice
