-- A hash over the rows that an event wrote to the history of its issue and over what its entries move, which no other hash holds: positions,
-- what is booked, coupons, conversion rates, revisions, reversals. The content of the event's record holds it in turn. It is empty for an
-- event recorded before this column was. A hash in the record alone would tell that something is wrong, and not of which issue.
alter table event add column content_sha256 text collate "C" not null default '';
