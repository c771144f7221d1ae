-- The closes and reopens of fiscal periods, each by the command that did it. `locked_from` is the first day that a close locks, null where
-- everything before is locked too; which periods are closed is kept by the head (`entity_head.closed_through`), and follows from these rows.
-- The answer is kept because closing a closed period again is answered the same, long after the idempotency key is forgotten. The figures of
-- a close are not kept: they are those known at its record, and any report gives them again.
create table period_close (
    entity          text not null,
    sequence        integer not null,
    recorded_at     integer not null,
    kind            text not null,
    period          text not null,
    first_day       text not null,
    last_day        text not null,
    locked_from     text,
    reason          text,
    name            text,
    waivers         text not null,
    answer          text not null,
    content_sha256  text not null,
    primary key (entity, sequence),
    foreign key (entity, sequence) references record
) strict, without rowid;
create trigger period_close_refuses_update before update on period_close begin select raise(abort, 'posted rows of period_close never change'); end;
create trigger period_close_refuses_delete before delete on period_close begin select raise(abort, 'posted rows of period_close never change'); end;

-- What a close expects to be followed by another event, or finds it to be: of all events these are few.
create index event_expected on event (entity, kind, effective_date) where kind in ('inducement_acceptance', 'redemption');
