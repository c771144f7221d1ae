-- Push. A destination is an address to which the releases of an entity are delivered. Each row is a command on it, a link of the
-- audit chain like a mapping; the newest row of a name says what it is. `after` is the release that the command begins after, -1
-- where it leaves off. The address never changes: another one is another destination.
create table destination (
    entity       text collate "C" not null,
    name         text collate "C" not null,
    sequence     bigint not null,
    url          text collate "C" not null,
    state        text collate "C" not null,
    after        bigint not null,
    recorded_at  bigint not null,
    primary key (entity, name, sequence),
    foreign key (entity, sequence) references record,
    check (state in ('active', 'paused', 'closed')),
    check (after >= -1)
);

-- How far the deliveries of a destination have come. It is apart from the row above because it is written by whoever delivers,
-- without the entity's lock: `sequence` is that of the newest command that it has followed. Whoever delivers holds the lease, in
-- the database's own time so that clocks of machines do not matter; `fence` counts the holders, and what a former one writes with
-- the fence it had changes nothing. `trying` is the release that is being sent, 0 while none is: found by the next holder, it tells
-- of an attempt that was cut off. `state` is 'parked' after the last attempt allowed and 'gone' after an answer of 410, with the
-- reason. `failures` counts attempts since the last delivery; `due_at` is when the next may be made.
create table delivery (
    entity       text collate "C" not null,
    destination  text collate "C" not null,
    sequence     bigint not null,
    state        text collate "C" not null,
    reason       text collate "C",
    delivered    bigint not null,
    failures     bigint not null,
    due_at       bigint not null,
    attempt      bigint not null,
    trying       bigint not null,
    tried_at     bigint not null,
    lease_until  bigint not null,
    fence        bigint not null,
    primary key (entity, destination),
    foreign key (entity, destination, sequence) references destination (entity, name, sequence),
    check (state in ('active', 'parked', 'gone')),
    check (delivered >= 0)
) with (fillfactor = 80);

-- What came of an attempt; `status` is 0 without an answer, `duration` in microseconds, `next_attempt_at` 0 if none follows by
-- itself. Nothing of what the receiver wrote is kept.
create table attempt (
    entity           text collate "C" not null,
    destination      text collate "C" not null,
    attempt          bigint not null,
    release          bigint not null,
    started_at       bigint not null,
    duration         bigint not null,
    outcome          text collate "C" not null,
    status           bigint not null,
    detail           text collate "C",
    next_attempt_at  bigint not null,
    primary key (entity, destination, attempt),
    foreign key (entity, destination) references delivery,
    foreign key (entity, release) references release
);
create trigger destination_is_immutable before update or delete or truncate on destination for each statement execute function refuse_change();
create trigger attempt_is_immutable before update or delete or truncate on attempt for each statement execute function refuse_change();
