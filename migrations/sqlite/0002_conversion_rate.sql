-- The conversion rate in force from a date on, after an adjustment; of one date the row of the highest sequence counts.
-- `share_par_value` is null for no-par stock. What the rate was before the first of them stands in the terms.
create table conversion_rate (
    entity                   text not null,
    bond_issue               text not null,
    date                     text not null,
    sequence                 integer not null,
    shares_per_denomination  text not null,
    share_par_value          text,
    primary key (entity, bond_issue, date, sequence),
    foreign key (entity, bond_issue) references bond_issue
) strict, without rowid;
create trigger conversion_rate_refuses_update before update on conversion_rate begin select raise(abort, 'posted rows of conversion_rate never change'); end;
create trigger conversion_rate_refuses_delete before delete on conversion_rate begin select raise(abort, 'posted rows of conversion_rate never change'); end;
