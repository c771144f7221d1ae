-- What the conversion rate would be with the adjustments that are carried forward; null where none is.
alter table conversion_rate add column carried_shares text;
-- Why the rate was adjusted; null for an adjustment recorded before this column was.
alter table conversion_rate add column reason text;
