-- What an issue is from an event's date on: terms that changed, what was carried then, and the rates solved from that. One that a
-- reversal took back counts up to that reversal's sequence.
create table revision (
    entity       text collate "C" not null,
    bond_issue   text collate "C" not null,
    sequence     bigint not null,
    date         text collate "C" not null,
    terms        text collate "C" not null,
    principal    bigint not null,
    clean        bigint not null,
    issue_costs  bigint not null,
    effect       text collate "C" not null,
    rates        text collate "C" not null,
    primary key (entity, bond_issue, sequence),
    foreign key (entity, bond_issue, sequence) references event
);
create trigger revision_is_immutable before update or delete or truncate on revision for each statement execute function refuse_change();
