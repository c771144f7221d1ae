-- Bonds surrendered for conversion and not settled yet: they bear no interest, so `principal` leaves them out, and their balances stand
-- in the debt as they were on their conversion dates. A balance by the curve would go on to change; an amount for each surrender
-- would have every read add up a list.
alter table position add column surrendered_principal bigint not null default 0;
alter table position add column surrendered_premium_discount bigint not null default 0;
alter table position add column surrendered_issue_costs bigint not null default 0;
alter table position add column surrendered_interest bigint not null default 0;
alter table position add column surrendered_equity bigint not null default 0;
