-- one row a curve of the growth reference in force, with the name and unit of its measure
select
    mart_growth.measure,
    coalesce(mart_measures.label, mart_growth.measure) as label,
    coalesce(mart_measures.unit, '') as unit,
    mart_growth.sex,
    mart_growth.ages,
    mart_growth.means,
    mart_growth.reference_id || ' v' || mart_growth.version || ', ' || mart_growth.trust || ': ' || mart_growth.source
        as source
from mart_growth
left join mart_measures on mart_measures.measure = mart_growth.measure
order by mart_growth.measure, mart_growth.sex
