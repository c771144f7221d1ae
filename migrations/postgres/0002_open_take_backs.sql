-- What is booked at a moment on principal that had moved by then, and is taken back by a later part of a backdated event's
-- take-back. A carrying value between the two lists it. The key is the moment to which the issue was accrued.
create table open_take_back (
    entity               text collate "C" not null,
    bond_issue           text collate "C" not null,
    accrued_boundary     text collate "C" not null,
    accrued_through      text collate "C" not null,
    sequence             bigint not null,
    event                text collate "C" not null,
    effective_date       text collate "C" not null,
    posting_date         text collate "C" not null,
    principal            bigint not null,
    premium_discount     bigint not null,
    issue_costs          bigint not null,
    interest_payable     bigint not null,
    interest_receivable  bigint not null,
    primary key (entity, bond_issue, accrued_boundary, accrued_through, sequence),
    foreign key (entity, bond_issue) references bond_issue
);

create trigger open_take_back_is_immutable before update or delete or truncate on open_take_back
    for each statement execute function refuse_change();
