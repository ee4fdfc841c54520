-- More kinds of appliances, between those there were: an enumeration is widened by making its table anew.

create table more_phases as
select * replace (
    cast(cast(appliance_category as varchar) as enum (
        'fixed_labial', 'fixed_lingual', 'removable_plate', 'functional_removable',
        'functional_fixed', 'headgear_cervical', 'headgear_high_pull', 'headgear_combination',
        'expander_tooth_borne', 'expander_bone_borne', 'expander_slow', 'facemask', 'clear_aligner',
        'myofunctional', 'bite_plane', 'chin_cup', 'distaliser', 'habit_breaker', 'retainer',
        'serial_extraction', 'surgery', 'untreated'
    )) as appliance_category
)
from phases;

drop table phases;

alter table more_phases rename to phases;

alter table phases alter case_no set not null;

alter table phases alter load_id set not null;

alter table phases alter row_no set not null;

alter table phases alter phase_no set not null;

alter table phases alter appliance_category set not null;
