-- what the new readings do not say, from the current readings of the same key
update numbered
set computed = $computed, $values
from readings
inner join loads on loads.load_id = readings.load_id $of_files
where readings.replaced_by is null and $same_key
