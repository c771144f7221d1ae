-- What the ledger answered to a release: that it posted it, or that it posted nothing of it. One answer a revision.
create table acknowledgement (
    entity               text not null,
    batch                text not null,
    revision             integer not null,
    sequence             integer not null,
    acknowledged_at      integer not null,
    status               text not null check (status in ('acknowledged', 'rejected')),
    document_number      text,
    ledger_posting_date  text,
    reason               text,
    primary key (entity, batch, revision),
    foreign key (entity, batch, revision) references release (entity, batch, revision),
    foreign key (entity, sequence) references record
) strict, without rowid;
create index acknowledgement_rejected on acknowledgement (entity, batch, revision) where status = 'rejected';
create trigger acknowledgement_refuses_update before update on acknowledgement begin select raise(abort, 'posted rows of acknowledgement never change'); end;
create trigger acknowledgement_refuses_delete before delete on acknowledgement begin select raise(abort, 'posted rows of acknowledgement never change'); end;
