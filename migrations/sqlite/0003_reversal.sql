-- An event that is reversed, and by which: both are sequences of events of the issue. An event is reversed once.
create table reversal (
    entity      text not null,
    bond_issue  text not null,
    reversed    integer not null,
    sequence    integer not null,
    primary key (entity, bond_issue, reversed),
    unique (entity, bond_issue, sequence),
    foreign key (entity, bond_issue, reversed) references event,
    foreign key (entity, bond_issue, sequence) references event
) strict, without rowid;
create trigger reversal_refuses_update before update on reversal begin select raise(abort, 'posted rows of reversal never change'); end;
create trigger reversal_refuses_delete before delete on reversal begin select raise(abort, 'posted rows of reversal never change'); end;

-- The batch whose entries a batch of a reversal inverts; null for all others.
alter table batch add column reverses text;
create unique index batch_by_reversed on batch (entity, reverses) where reverses is not null;
