-- The books. Every key begins with the entity, no id comes from a sequence and no posting touches two entities, so that a
-- distributed PostgreSQL can keep an entity's rows together. Money is BIGINT minor units, rates and quantities are decimal
-- text, dates are ISO text (collate "C", so that text order is date order), times are microseconds since 1970 in UTC.

create table entity (
    entity               text collate "C" not null primary key,
    name                 text collate "C" not null,
    functional_currency  text collate "C" not null,
    framework            text collate "C" not null,
    fiscal_year_end      text collate "C" not null,
    fiscal_calendar      text collate "C",
    lei                  text collate "C",
    recorded_at          bigint not null
);

-- The lock that every posting of an entity takes, and its two gap-free counters. `closed_through` is the last day of the last
-- closed fiscal period.
create table entity_head (
    entity          text collate "C" not null primary key references entity,
    sequence        bigint not null,
    release         bigint not null,
    recorded_at     bigint not null,
    hash            text collate "C" not null,
    closed_through  text collate "C"
) with (fillfactor = 50);

-- The gap-free batch number of a fiscal year.
create table year_head (
    entity       text collate "C" not null references entity,
    fiscal_year  bigint not null,
    number       bigint not null,
    primary key (entity, fiscal_year)
);

-- One row a recorded command: the audit trail, the hash chain and the known-at axis in one.
create table record (
    entity          text collate "C" not null references entity,
    sequence        bigint not null,
    recorded_at     bigint not null,
    kind            text collate "C" not null,
    subject         text collate "C" not null,
    request_id      text collate "C" not null,
    actor           text collate "C" not null,
    content_sha256  text collate "C" not null,
    hash            text collate "C" not null,
    primary key (entity, sequence),
    unique (entity, recorded_at)
);

create table account_mapping (
    entity          text collate "C" not null,
    sequence        bigint not null,
    bond_issue      text collate "C" not null, -- '' for the whole entity
    effective_from  text collate "C" not null,
    accounts        text collate "C" not null,
    primary key (entity, sequence),
    foreign key (entity, sequence) references record
);

-- Terms never change; the rates are solved once, at issuance, and stored with them.
create table bond_issue (
    entity           text collate "C" not null,
    id               text collate "C" not null,
    sequence         bigint not null,
    reference        text collate "C" not null,
    isin             text collate "C",
    currency         text collate "C" not null,
    settlement_date  text collate "C" not null,
    maturity_date    text collate "C" not null,
    terms            text collate "C" not null,
    rates            text collate "C" not null,
    primary key (entity, id),
    foreign key (entity, sequence) references record
);
create index bond_issue_by_sequence on bond_issue (entity, sequence);
create index bond_issue_by_reference on bond_issue (entity, reference);
create index bond_issue_by_isin on bond_issue (entity, isin) where isin is not null;

-- One row an event of an issue. `follows` is the sequence of the issue's event before it (0 for the first): two writers cannot
-- both follow one event.
create table event (
    entity          text collate "C" not null,
    bond_issue      text collate "C" not null,
    sequence        bigint not null,
    id              text collate "C" not null,
    kind            text collate "C" not null,
    effective_date  text collate "C" not null,
    follows         bigint not null,
    reference       text collate "C",
    detail          text collate "C" not null,
    primary key (entity, bond_issue, sequence),
    unique (entity, bond_issue, follows),
    unique (entity, id),
    foreign key (entity, bond_issue) references bond_issue,
    foreign key (entity, sequence) references record
);

-- What is outstanding by effective date, at the close of `date`. An event writes a row at its date and one at each later date
-- that already has one; `first` is 1 in the first row that a date ever had. `with_next_coupon` is what is paid with the next
-- coupon besides the coupon itself. The `moved_` columns add up all movements other than accruals, as posted.
create table position (
    entity                  text collate "C" not null,
    bond_issue              text collate "C" not null,
    date                    text collate "C" not null,
    sequence                bigint not null,
    first                   bigint not null,
    principal               bigint not null,
    interest_due            bigint not null,
    with_next_coupon        bigint not null,
    interest_receivable     bigint not null,
    moved_principal         bigint not null,
    moved_premium_discount  bigint not null,
    moved_issue_costs       bigint not null,
    moved_interest          bigint not null,
    primary key (entity, bond_issue, date, sequence),
    check (first in (0, 1)),
    foreign key (entity, bond_issue) references bond_issue
);

-- What is booked by posting date, written in the same way. `accrued_boundary` is the day boundary to which interest is accrued
-- by postings up to that date, `accrued_through` the date that it was accrued through. Backdated events take interest back at the
-- close of each fiscal period: where that close lies after the accrual, the `later_` columns are what is still taken back, the last
-- of it on `later_posting_date`, which is null where nothing is.
create table booked (
    entity                     text collate "C" not null,
    bond_issue                 text collate "C" not null,
    posting_date               text collate "C" not null,
    sequence                   bigint not null,
    first                      bigint not null,
    principal                  bigint not null,
    premium_discount           bigint not null,
    issue_costs                bigint not null,
    interest_payable           bigint not null,
    interest_receivable        bigint not null,
    accrued_boundary           text collate "C" not null,
    accrued_through            text collate "C" not null,
    later_premium_discount     bigint not null,
    later_issue_costs          bigint not null,
    later_interest_payable     bigint not null,
    later_interest_receivable  bigint not null,
    later_posting_date         text collate "C",
    primary key (entity, bond_issue, posting_date, sequence),
    check (first in (0, 1)),
    foreign key (entity, bond_issue) references bond_issue
);

-- From which sequence on an issue has rows at a date, in both of the tables above (`axis` is the table's name): the dates of an
-- issue without the many rows that a date may have. The row in force at a date, as known at a sequence, is the newest row known by
-- then of the last such date.
create table first_seen (
    entity      text collate "C" not null,
    bond_issue  text collate "C" not null,
    axis        text collate "C" not null,
    date        text collate "C" not null,
    sequence    bigint not null,
    primary key (entity, bond_issue, axis, date),
    foreign key (entity, bond_issue) references bond_issue
);

-- The newest event, position and booked row of an issue: what the next command is decided on, in one look-up.
create table issue_head (
    entity             text collate "C" not null,
    bond_issue         text collate "C" not null,
    event_sequence     bigint not null,
    position_date      text collate "C" not null,
    position_sequence  bigint not null,
    booked_date        text collate "C" not null,
    booked_sequence    bigint not null,
    primary key (entity, bond_issue),
    foreign key (entity, bond_issue) references bond_issue
) with (fillfactor = 80);

-- A coupon is paid once: a payment has the next even revision and its reversal the next odd one, so that two payments of one
-- coupon collide. The newest revision known at a sequence says whether it was paid then; `paid_on` is null where it was not.
create table coupon (
    entity       text collate "C" not null,
    bond_issue   text collate "C" not null,
    coupon_date  text collate "C" not null,
    revision     bigint not null,
    sequence     bigint not null,
    paid_on      text collate "C",
    amount       bigint not null,
    primary key (entity, bond_issue, coupon_date, revision),
    foreign key (entity, bond_issue) references bond_issue
);

-- A posted batch holds account roles and never changes. `ordinal` orders the batches of one command; `ready` is 1 if it was
-- posted with a role that had no account, and so waits for a mapping before its first release.
create table batch (
    entity          text collate "C" not null,
    id              text collate "C" not null,
    sequence        bigint not null,
    ordinal         bigint not null,
    number          text collate "C" not null,
    currency        text collate "C" not null,
    posting_date    text collate "C" not null,
    effective_date  text collate "C" not null,
    recorded_at     bigint not null,
    ready           bigint not null,
    entries         bigint not null,
    lines           bigint not null,
    debit           bigint not null,
    credit          bigint not null,
    assets          bigint not null,
    liabilities     bigint not null,
    equity          bigint not null,
    net_income      bigint not null,
    content_sha256  text collate "C" not null,
    primary key (entity, id),
    unique (entity, number),
    unique (entity, sequence, ordinal),
    foreign key (entity, sequence) references record,
    check (debit = credit),
    check (assets = liabilities + equity),
    check (ready in (0, 1))
);
create index batch_ready on batch (entity, sequence, ordinal) where ready = 1;

-- Each entry carries its movement by component, so that a rollforward never joins lines.
create table entry (
    entity               text collate "C" not null,
    batch                text collate "C" not null,
    entry                bigint not null,
    sequence             bigint not null,
    bond_issue           text collate "C" not null,
    event                text collate "C" not null,
    kind                 text collate "C" not null,
    movement             text collate "C" not null,
    posting_date         text collate "C" not null,
    effective_date       text collate "C" not null,
    description          text collate "C" not null,
    principal            bigint not null,
    premium_discount     bigint not null,
    issue_costs          bigint not null,
    interest_payable     bigint not null,
    interest_receivable  bigint not null,
    coupon_interest      bigint not null,
    gain_loss            bigint not null,
    expense              bigint not null,
    cash                 bigint not null,
    shares               text collate "C" not null,
    paid_in_capital      bigint not null,
    primary key (entity, batch, entry),
    foreign key (entity, batch) references batch,
    foreign key (entity, bond_issue) references bond_issue
);
create index entry_by_posting_date on entry (entity, posting_date, bond_issue);
create index entry_by_event on entry (entity, event);
create index entry_out_of_period on entry (entity, bond_issue, posting_date, effective_date) where posting_date > effective_date;

-- Debits are positive and credits negative.
create table line (
    entity        text collate "C" not null,
    batch         text collate "C" not null,
    entry         bigint not null,
    line          bigint not null,
    account_role  text collate "C" not null,
    amount        bigint not null check (amount <> 0),
    memo          text collate "C" not null,
    derivation    text collate "C" not null,
    primary key (entity, batch, entry, line),
    foreign key (entity, batch, entry) references entry
);

-- A release is an immutable revision of a batch, with accounts as mapped at that moment.
create table release (
    entity          text collate "C" not null,
    release         bigint not null,
    batch           text collate "C" not null,
    revision        bigint not null,
    sequence        bigint not null,
    released_at     bigint not null,
    accounts        text collate "C" not null,
    release_sha256  text collate "C" not null,
    primary key (entity, release),
    unique (entity, batch, revision),
    foreign key (entity, batch) references batch,
    foreign key (entity, sequence) references record
);

create table idempotency (
    entity       text collate "C" not null,
    key          text collate "C" not null,
    fingerprint  text collate "C" not null,
    status       bigint not null,
    answer       text collate "C" not null,
    recorded_at  bigint not null,
    primary key (entity, key)
);

-- A reference names one thing of its kind in an entity.
create table natural_key (
    entity     text collate "C" not null,
    kind       text collate "C" not null,
    reference  text collate "C" not null,
    id         text collate "C" not null,
    primary key (entity, kind, reference)
);

-- Only the hash of a token is kept. `entity` is null for a token that may see all entities.
create table token (
    token_sha256  text collate "C" not null primary key,
    name          text collate "C" not null,
    role          text collate "C" not null,
    entity        text collate "C",
    created_at    bigint not null
);

create function refuse_change() returns trigger language plpgsql as $$
begin
    raise exception 'posted rows of % never change', tg_table_name using errcode = 'restrict_violation';
end $$;

create function refuse_unbalanced() returns trigger language plpgsql as $$
begin
    if exists (select 1 from inserted group by entity, batch, entry having sum(amount) <> 0) then
        raise exception 'an entry does not sum to zero' using errcode = 'check_violation';
    end if;
    return null;
end $$;

create trigger line_balances after insert on line
    referencing new table as inserted for each statement execute function refuse_unbalanced();

create trigger record_is_immutable before update or delete or truncate on record for each statement execute function refuse_change();
create trigger account_mapping_is_immutable before update or delete or truncate on account_mapping for each statement execute function refuse_change();
create trigger bond_issue_is_immutable before update or delete or truncate on bond_issue for each statement execute function refuse_change();
create trigger event_is_immutable before update or delete or truncate on event for each statement execute function refuse_change();
create trigger position_is_immutable before update or delete or truncate on position for each statement execute function refuse_change();
create trigger booked_is_immutable before update or delete or truncate on booked for each statement execute function refuse_change();
create trigger batch_is_immutable before update or delete or truncate on batch for each statement execute function refuse_change();
create trigger entry_is_immutable before update or delete or truncate on entry for each statement execute function refuse_change();
create trigger line_is_immutable before update or delete or truncate on line for each statement execute function refuse_change();
create trigger release_is_immutable before update or delete or truncate on release for each statement execute function refuse_change();
create trigger first_seen_is_immutable before update or delete or truncate on first_seen for each statement execute function refuse_change();
create trigger coupon_is_immutable before update or delete or truncate on coupon for each statement execute function refuse_change();
