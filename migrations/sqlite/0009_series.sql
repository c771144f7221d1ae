-- Issues of one series: the same bonds under one indenture, issued at different times.
create table series_member (
    entity      text not null,
    series      text not null,
    bond_issue  text not null,
    primary key (entity, series, bond_issue),
    foreign key (entity, bond_issue) references bond_issue
) strict, without rowid;
create trigger series_member_refuses_update before update on series_member begin select raise(abort, 'posted rows of series_member never change'); end;
create trigger series_member_refuses_delete before delete on series_member begin select raise(abort, 'posted rows of series_member never change'); end;
