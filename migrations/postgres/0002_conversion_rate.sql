-- The conversion rate in force from a date on, after an adjustment; of one date the row of the highest sequence counts.
-- `share_par_value` is null for no-par stock. What the rate was before the first of them stands in the terms.
create table conversion_rate (
    entity                   text collate "C" not null,
    bond_issue               text collate "C" not null,
    date                     text collate "C" not null,
    sequence                 bigint not null,
    shares_per_denomination  text collate "C" not null,
    share_par_value          text collate "C",
    primary key (entity, bond_issue, date, sequence),
    foreign key (entity, bond_issue) references bond_issue
);
create trigger conversion_rate_is_immutable before update or delete or truncate on conversion_rate for each statement execute function refuse_change();
