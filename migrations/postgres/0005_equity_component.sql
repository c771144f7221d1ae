-- The equity component of a convertible issue under IFRS, net of its issue costs; nothing for all other issues.
alter table position add column moved_equity bigint not null default 0;
alter table booked add column equity_component bigint not null default 0;
alter table booked add column later_equity_component bigint not null default 0;
alter table entry add column equity_component bigint not null default 0;
