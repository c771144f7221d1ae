-- What is booked at a moment on principal that had moved by then, and is taken back by a later part of a backdated event's
-- take-back. A carrying value between the two lists it. The key is the moment to which the issue was accrued.
create table open_take_back (
    entity               text not null,
    bond_issue           text not null,
    accrued_boundary     text not null,
    accrued_through      text not null,
    sequence             integer not null,
    event                text not null,
    effective_date       text not null,
    posting_date         text not null,
    principal            integer not null,
    premium_discount     integer not null,
    issue_costs          integer not null,
    interest_payable     integer not null,
    interest_receivable  integer not null,
    primary key (entity, bond_issue, accrued_boundary, accrued_through, sequence),
    foreign key (entity, bond_issue) references bond_issue
) strict, without rowid;

create trigger open_take_back_refuses_update before update on open_take_back begin select raise(abort, 'posted rows of open_take_back never change'); end;
create trigger open_take_back_refuses_delete before delete on open_take_back begin select raise(abort, 'posted rows of open_take_back never change'); end;
