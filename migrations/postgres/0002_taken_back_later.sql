-- What a backdated event takes back is posted at the close of each fiscal period. Where a row's accrual lies before such a close,
-- this is what is taken back of it then, at the latest on `later_posting_date`; null where nothing is. The newest row's
-- event is behind it.
alter table booked add column later_premium_discount bigint not null default 0;
alter table booked add column later_issue_costs bigint not null default 0;
alter table booked add column later_interest_payable bigint not null default 0;
alter table booked add column later_interest_receivable bigint not null default 0;
alter table booked add column later_posting_date text collate "C";
