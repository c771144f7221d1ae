-- The books. Every key begins with the entity, no id comes from a sequence and no posting touches two entities, so that a
-- distributed PostgreSQL can keep an entity's rows together. Money is INTEGER minor units, rates and quantities are decimal
-- text, dates are ISO text (text order is date order), times are microseconds since 1970 in UTC. Tables are STRICT: SQLite
-- would otherwise turn an overflowing integer silently into a floating point number.

create table entity (
    entity               text not null primary key,
    name                 text not null,
    functional_currency  text not null,
    framework            text not null,
    fiscal_year_end      text not null,
    fiscal_calendar      text,
    lei                  text,
    recorded_at          integer not null
) strict, without rowid;

-- The lock that every posting of an entity takes, and its two gap-free counters. `closed_through` is the last day of the last
-- closed fiscal period.
create table entity_head (
    entity          text not null primary key references entity,
    sequence        integer not null,
    release         integer not null,
    recorded_at     integer not null,
    hash            text not null,
    closed_through  text
) strict, without rowid;

-- The gap-free batch number of a fiscal year.
create table year_head (
    entity       text not null references entity,
    fiscal_year  integer not null,
    number       integer not null,
    primary key (entity, fiscal_year)
) strict, without rowid;

-- One row a recorded command: the audit trail, the hash chain and the known-at axis in one.
create table record (
    entity          text not null references entity,
    sequence        integer not null,
    recorded_at     integer not null,
    kind            text not null,
    subject         text not null,
    request_id      text not null,
    actor           text not null,
    content_sha256  text not null,
    hash            text not null,
    primary key (entity, sequence),
    unique (entity, recorded_at)
) strict, without rowid;

create table account_mapping (
    entity          text not null,
    sequence        integer not null,
    bond_issue      text not null, -- '' for the whole entity
    effective_from  text not null,
    accounts        text not null,
    primary key (entity, sequence),
    foreign key (entity, sequence) references record
) strict, without rowid;

-- Terms never change; the rates are solved once, at issuance, and stored with them.
create table bond_issue (
    entity           text not null,
    id               text not null,
    sequence         integer not null,
    reference        text not null,
    isin             text,
    currency         text not null,
    settlement_date  text not null,
    maturity_date    text not null,
    terms            text not null,
    rates            text not null,
    primary key (entity, id),
    foreign key (entity, sequence) references record
) strict;
create index bond_issue_by_sequence on bond_issue (entity, sequence);
create index bond_issue_by_reference on bond_issue (entity, reference);
create index bond_issue_by_isin on bond_issue (entity, isin) where isin is not null;

-- One row an event of an issue. `follows` is the sequence of the issue's event before it (0 for the first): two writers cannot
-- both follow one event.
create table event (
    entity          text not null,
    bond_issue      text not null,
    sequence        integer not null,
    id              text not null,
    kind            text not null,
    effective_date  text not null,
    follows         integer not null,
    reference       text,
    detail          text not null,
    primary key (entity, bond_issue, sequence),
    unique (entity, bond_issue, follows),
    unique (entity, id),
    foreign key (entity, bond_issue) references bond_issue,
    foreign key (entity, sequence) references record
) strict;

-- What is outstanding by effective date, at the close of `date`. An event writes a row at its date and one at each later date
-- that already has one; `first` is 1 in the first row that a date ever had. `with_next_coupon` is what is paid with the next
-- coupon besides the coupon itself. The `moved_` columns add up all movements other than accruals, as posted.
create table position (
    entity                  text not null,
    bond_issue              text not null,
    date                    text not null,
    sequence                integer not null,
    first                   integer not null,
    principal               integer not null,
    interest_due            integer not null,
    with_next_coupon        integer not null,
    interest_receivable     integer not null,
    moved_principal         integer not null,
    moved_premium_discount  integer not null,
    moved_issue_costs       integer not null,
    moved_interest          integer not null,
    primary key (entity, bond_issue, date, sequence),
    check (first in (0, 1)),
    foreign key (entity, bond_issue) references bond_issue
) strict, without rowid;

-- What is booked by posting date, written in the same way. `accrued_boundary` is the day boundary to which interest is accrued
-- by postings up to that date, `accrued_through` the date that it was accrued through. Backdated events take interest back at the
-- close of each fiscal period: where that close lies after the accrual, the `later_` columns are what is still taken back, the last
-- of it on `later_posting_date`, which is null where nothing is.
create table booked (
    entity                     text not null,
    bond_issue                 text not null,
    posting_date               text not null,
    sequence                   integer not null,
    first                      integer not null,
    principal                  integer not null,
    premium_discount           integer not null,
    issue_costs                integer not null,
    interest_payable           integer not null,
    interest_receivable        integer not null,
    accrued_boundary           text not null,
    accrued_through            text not null,
    later_premium_discount     integer not null,
    later_issue_costs          integer not null,
    later_interest_payable     integer not null,
    later_interest_receivable  integer not null,
    later_posting_date         text,
    primary key (entity, bond_issue, posting_date, sequence),
    check (first in (0, 1)),
    foreign key (entity, bond_issue) references bond_issue
) strict, without rowid;

-- From which sequence on an issue has rows at a date, in both of the tables above (`axis` is the table's name): the dates of an
-- issue without the many rows that a date may have. The row in force at a date, as known at a sequence, is the newest row known by
-- then of the last such date.
create table first_seen (
    entity      text not null,
    bond_issue  text not null,
    axis        text not null,
    date        text not null,
    sequence    integer not null,
    primary key (entity, bond_issue, axis, date),
    foreign key (entity, bond_issue) references bond_issue
) strict, without rowid;

-- The newest event, position and booked row of an issue: what the next command is decided on, in one look-up.
create table issue_head (
    entity             text not null,
    bond_issue         text not null,
    event_sequence     integer not null,
    position_date      text not null,
    position_sequence  integer not null,
    booked_date        text not null,
    booked_sequence    integer not null,
    primary key (entity, bond_issue),
    foreign key (entity, bond_issue) references bond_issue
) strict, without rowid;

-- A coupon is paid once: a payment has the next even revision and its reversal the next odd one, so that two payments of one
-- coupon collide. The newest revision known at a sequence says whether it was paid then; `paid_on` is null where it was not.
create table coupon (
    entity       text not null,
    bond_issue   text not null,
    coupon_date  text not null,
    revision     integer not null,
    sequence     integer not null,
    paid_on      text,
    amount       integer not null,
    primary key (entity, bond_issue, coupon_date, revision),
    foreign key (entity, bond_issue) references bond_issue
) strict, without rowid;

-- A posted batch holds account roles and never changes. `ordinal` orders the batches of one command; `ready` is 1 if it was
-- posted with a role that had no account, and so waits for a mapping before its first release.
create table batch (
    entity          text not null,
    id              text not null,
    sequence        integer not null,
    ordinal         integer not null,
    number          text not null,
    currency        text not null,
    posting_date    text not null,
    effective_date  text not null,
    recorded_at     integer not null,
    ready           integer not null,
    entries         integer not null,
    lines           integer not null,
    debit           integer not null,
    credit          integer not null,
    assets          integer not null,
    liabilities     integer not null,
    equity          integer not null,
    net_income      integer not null,
    content_sha256  text not null,
    primary key (entity, id),
    unique (entity, number),
    unique (entity, sequence, ordinal),
    foreign key (entity, sequence) references record,
    check (debit = credit),
    check (assets = liabilities + equity),
    check (ready in (0, 1))
) strict, without rowid;
create index batch_ready on batch (entity, sequence, ordinal) where ready = 1;

-- Each entry carries its movement by component, so that a rollforward never joins lines.
create table entry (
    entity               text not null,
    batch                text not null,
    entry                integer not null,
    sequence             integer not null,
    bond_issue           text not null,
    event                text not null,
    kind                 text not null,
    movement             text not null,
    posting_date         text not null,
    effective_date       text not null,
    description          text not null,
    principal            integer not null,
    premium_discount     integer not null,
    issue_costs          integer not null,
    interest_payable     integer not null,
    interest_receivable  integer not null,
    coupon_interest      integer not null,
    gain_loss            integer not null,
    expense              integer not null,
    cash                 integer not null,
    shares               text not null,
    paid_in_capital      integer not null,
    primary key (entity, batch, entry),
    foreign key (entity, batch) references batch,
    foreign key (entity, bond_issue) references bond_issue
) strict, without rowid;
create index entry_by_posting_date on entry (entity, posting_date, bond_issue);
create index entry_by_event on entry (entity, event);
create index entry_out_of_period on entry (entity, bond_issue, posting_date, effective_date) where posting_date > effective_date;

-- Debits are positive and credits negative.
create table line (
    entity        text not null,
    batch         text not null,
    entry         integer not null,
    line          integer not null,
    account_role  text not null,
    amount        integer not null check (amount <> 0),
    memo          text not null,
    derivation    text not null,
    primary key (entity, batch, entry, line),
    foreign key (entity, batch, entry) references entry deferrable initially deferred
) strict, without rowid;

-- A release is an immutable revision of a batch, with accounts as mapped at that moment.
create table release (
    entity          text not null,
    release         integer not null,
    batch           text not null,
    revision        integer not null,
    sequence        integer not null,
    released_at     integer not null,
    accounts        text not null,
    release_sha256  text not null,
    primary key (entity, release),
    unique (entity, batch, revision),
    foreign key (entity, batch) references batch,
    foreign key (entity, sequence) references record
) strict, without rowid;

create table idempotency (
    entity       text not null,
    key          text not null,
    fingerprint  text not null,
    status       integer not null,
    answer       text not null,
    recorded_at  integer not null,
    primary key (entity, key)
) strict;

-- A reference names one thing of its kind in an entity.
create table natural_key (
    entity     text not null,
    kind       text not null,
    reference  text not null,
    id         text not null,
    primary key (entity, kind, reference)
) strict, without rowid;

-- Only the hash of a token is kept. `entity` is null for a token that may see all entities.
create table token (
    token_sha256  text not null primary key,
    name          text not null,
    role          text not null,
    entity        text,
    created_at    integer not null
) strict, without rowid;

-- An entry is written after its lines, so that this trigger sees them whole, and takes no more of them afterwards. (PostgreSQL
-- checks the lines of each statement by themselves.) A batch is written before its entries: SQLite looks for waiting children
-- of a row that is written after them, and may choose an index that begins with the entity alone for it.
create trigger entry_balances before insert on entry begin
    select raise(abort, 'an entry does not sum to zero') where (
        select sum(amount) from line where entity = new.entity and batch = new.batch and entry = new.entry) <> 0;
end;
create trigger line_precedes_entry before insert on line begin
    select raise(abort, 'a posted entry takes no more lines') where exists (
        select 1 from entry where entity = new.entity and batch = new.batch and entry = new.entry);
end;

create trigger record_refuses_update before update on record begin select raise(abort, 'posted rows of record never change'); end;
create trigger record_refuses_delete before delete on record begin select raise(abort, 'posted rows of record never change'); end;
create trigger account_mapping_refuses_update before update on account_mapping begin select raise(abort, 'posted rows of account_mapping never change'); end;
create trigger account_mapping_refuses_delete before delete on account_mapping begin select raise(abort, 'posted rows of account_mapping never change'); end;
create trigger bond_issue_refuses_update before update on bond_issue begin select raise(abort, 'posted rows of bond_issue never change'); end;
create trigger bond_issue_refuses_delete before delete on bond_issue begin select raise(abort, 'posted rows of bond_issue never change'); end;
create trigger event_refuses_update before update on event begin select raise(abort, 'posted rows of event never change'); end;
create trigger event_refuses_delete before delete on event begin select raise(abort, 'posted rows of event never change'); end;
create trigger position_refuses_update before update on position begin select raise(abort, 'posted rows of position never change'); end;
create trigger position_refuses_delete before delete on position begin select raise(abort, 'posted rows of position never change'); end;
create trigger booked_refuses_update before update on booked begin select raise(abort, 'posted rows of booked never change'); end;
create trigger booked_refuses_delete before delete on booked begin select raise(abort, 'posted rows of booked never change'); end;
create trigger batch_refuses_update before update on batch begin select raise(abort, 'posted rows of batch never change'); end;
create trigger batch_refuses_delete before delete on batch begin select raise(abort, 'posted rows of batch never change'); end;
create trigger entry_refuses_update before update on entry begin select raise(abort, 'posted rows of entry never change'); end;
create trigger entry_refuses_delete before delete on entry begin select raise(abort, 'posted rows of entry never change'); end;
create trigger line_refuses_update before update on line begin select raise(abort, 'posted rows of line never change'); end;
create trigger line_refuses_delete before delete on line begin select raise(abort, 'posted rows of line never change'); end;
create trigger release_refuses_update before update on release begin select raise(abort, 'posted rows of release never change'); end;
create trigger release_refuses_delete before delete on release begin select raise(abort, 'posted rows of release never change'); end;
create trigger first_seen_refuses_update before update on first_seen begin select raise(abort, 'posted rows of first_seen never change'); end;
create trigger first_seen_refuses_delete before delete on first_seen begin select raise(abort, 'posted rows of first_seen never change'); end;
create trigger coupon_refuses_update before update on coupon begin select raise(abort, 'posted rows of coupon never change'); end;
create trigger coupon_refuses_delete before delete on coupon begin select raise(abort, 'posted rows of coupon never change'); end;
