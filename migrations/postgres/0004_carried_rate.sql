-- What the conversion rate would be with the adjustments that are carried forward; null where none is.
alter table conversion_rate add column carried_shares text collate "C";
