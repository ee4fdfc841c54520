-- What a practitioner who watches faces records besides: of the case, at each visit, and of the photographs.

alter table cases add column dentition_stage enum (
    'deciduous', 'early_mixed', 'intermediate_mixed', 'late_mixed', 'early_permanent', 'permanent'
);

alter table cases add column earlier_treatment enum ('yes', 'no');

alter table cases add column habits enum ('none', 'digit', 'tongue', 'lip_or_nail', 'several');

alter table cases add column retention_regime enum ('none', 'removable', 'fixed', 'fixed_and_removable');

alter table cases add column cleft_or_syndrome enum ('none', 'cleft', 'syndrome', 'both');

alter table visits add column breathing enum ('nose', 'mouth', 'mixed');

alter table visits add column head_pose enum ('natural', 'held', 'not_standard');

alter table visits add column camera_distance_m double;

alter table visits add column photo_lips enum ('relaxed', 'closed_with_effort', 'apart');

alter table visits add column teeth_together enum ('yes', 'no');
