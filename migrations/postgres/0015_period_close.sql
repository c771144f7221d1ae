-- The closes and reopens of fiscal periods, each by the command that did it. `locked_from` is the first day that a close locks, null where
-- everything before is locked too; which periods are closed is kept by the head (`entity_head.closed_through`), and follows from these rows.
-- The answer is kept because closing a closed period again is answered the same, long after the idempotency key is forgotten. The figures of
-- a close are not kept: they are those known at its record, and any report gives them again.
create table period_close (
    entity          text collate "C" not null,
    sequence        bigint not null,
    recorded_at     bigint not null,
    kind            text collate "C" not null,
    period          text collate "C" not null,
    first_day       text collate "C" not null,
    last_day        text collate "C" not null,
    locked_from     text collate "C",
    reason          text collate "C",
    name            text collate "C",
    waivers         text collate "C" not null,
    answer          text collate "C" not null,
    content_sha256  text collate "C" not null,
    primary key (entity, sequence),
    foreign key (entity, sequence) references record
);
create trigger period_close_is_immutable before update or delete or truncate on period_close for each statement execute function refuse_change();

-- What a close expects to be followed by another event, or finds it to be: of all events these are few.
create index event_expected on event (entity, kind, effective_date) where kind in ('inducement_acceptance', 'redemption');
