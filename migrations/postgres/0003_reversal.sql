-- An event that is reversed, and by which: both are sequences of events of the issue. An event is reversed once.
create table reversal (
    entity      text collate "C" not null,
    bond_issue  text collate "C" not null,
    reversed    bigint not null,
    sequence    bigint not null,
    primary key (entity, bond_issue, reversed),
    unique (entity, bond_issue, sequence),
    foreign key (entity, bond_issue, reversed) references event,
    foreign key (entity, bond_issue, sequence) references event
);
create trigger reversal_is_immutable before update or delete or truncate on reversal for each statement execute function refuse_change();

-- The batch whose entries a batch of a reversal inverts; null for all others.
alter table batch add column reverses text collate "C";
create unique index batch_by_reversed on batch (entity, reverses) where reverses is not null;
