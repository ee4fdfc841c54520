-- Which values of a reading were made from landmarks: measure codes joined by spaces, null where all were typed in.
alter table readings add column computed varchar;
