-- What an issue is from an event's date on: terms that changed, what was carried then, and the rates solved from that. One that a
-- reversal took back counts up to that reversal's sequence.
create table revision (
    entity       text not null,
    bond_issue   text not null,
    sequence     integer not null,
    date         text not null,
    terms        text not null,
    principal    integer not null,
    clean        integer not null,
    issue_costs  integer not null,
    effect       text not null,
    rates        text not null,
    primary key (entity, bond_issue, sequence),
    foreign key (entity, bond_issue, sequence) references event
) strict, without rowid;
create trigger revision_refuses_update before update on revision begin select raise(abort, 'posted rows of revision never change'); end;
create trigger revision_refuses_delete before delete on revision begin select raise(abort, 'posted rows of revision never change'); end;
