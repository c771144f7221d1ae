-- What the ledger answered to a release: that it posted it, or that it posted nothing of it. One answer a revision.
create table acknowledgement (
    entity               text collate "C" not null,
    batch                text collate "C" not null,
    revision             bigint not null,
    sequence             bigint not null,
    acknowledged_at      bigint not null,
    status               text collate "C" not null check (status in ('acknowledged', 'rejected')),
    document_number      text collate "C",
    ledger_posting_date  text collate "C",
    reason               text collate "C",
    primary key (entity, batch, revision),
    foreign key (entity, batch, revision) references release (entity, batch, revision),
    foreign key (entity, sequence) references record
);
create index acknowledgement_rejected on acknowledgement (entity, batch, revision) where status = 'rejected';
create trigger acknowledgement_is_immutable before update or delete or truncate on acknowledgement for each statement execute function refuse_change();
