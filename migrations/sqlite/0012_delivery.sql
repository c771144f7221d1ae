-- Push. A destination is an address to which the releases of an entity are delivered. Each row is a command on it, a link of the
-- audit chain like a mapping; the newest row of a name says what it is. `after` is the release that the command begins after, -1
-- where it leaves off. The address never changes: another one is another destination.
create table destination (
    entity       text not null,
    name         text not null,
    sequence     integer not null,
    url          text not null,
    state        text not null,
    after        integer not null,
    recorded_at  integer not null,
    primary key (entity, name, sequence),
    foreign key (entity, sequence) references record,
    check (state in ('active', 'paused', 'closed')),
    check (after >= -1)
) strict, without rowid;

-- How far the deliveries of a destination have come. It is apart from the row above because it is written by whoever delivers,
-- without the entity's lock: `sequence` is that of the newest command that it has followed. Whoever delivers holds the lease, in
-- the database's own time so that clocks of machines do not matter; `fence` counts the holders, and what a former one writes with
-- the fence it had changes nothing. `trying` is the release that is being sent, 0 while none is: found by the next holder, it tells
-- of an attempt that was cut off. `state` is 'parked' after the last attempt allowed and 'gone' after an answer of 410, with the
-- reason. `failures` counts attempts since the last delivery; `due_at` is when the next may be made.
create table delivery (
    entity       text not null,
    destination  text not null,
    sequence     integer not null,
    state        text not null,
    reason       text,
    delivered    integer not null,
    failures     integer not null,
    due_at       integer not null,
    attempt      integer not null,
    trying       integer not null,
    tried_at     integer not null,
    lease_until  integer not null,
    fence        integer not null,
    primary key (entity, destination),
    foreign key (entity, destination, sequence) references destination (entity, name, sequence),
    check (state in ('active', 'parked', 'gone')),
    check (delivered >= 0)
) strict, without rowid;

-- What came of an attempt; `status` is 0 without an answer, `duration` in microseconds, `next_attempt_at` 0 if none follows by
-- itself. Nothing of what the receiver wrote is kept.
create table attempt (
    entity           text not null,
    destination      text not null,
    attempt          integer not null,
    release          integer not null,
    started_at       integer not null,
    duration         integer not null,
    outcome          text not null,
    status           integer not null,
    detail           text,
    next_attempt_at  integer not null,
    primary key (entity, destination, attempt),
    foreign key (entity, destination) references delivery,
    foreign key (entity, release) references release
) strict, without rowid;
create trigger destination_refuses_update before update on destination begin select raise(abort, 'posted rows of destination never change'); end;
create trigger destination_refuses_delete before delete on destination begin select raise(abort, 'posted rows of destination never change'); end;
create trigger attempt_refuses_update before update on attempt begin select raise(abort, 'posted rows of attempt never change'); end;
create trigger attempt_refuses_delete before delete on attempt begin select raise(abort, 'posted rows of attempt never change'); end;
