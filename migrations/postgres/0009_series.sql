-- Issues of one series: the same bonds under one indenture, issued at different times.
create table series_member (
    entity      text collate "C" not null,
    series      text collate "C" not null,
    bond_issue  text collate "C" not null,
    primary key (entity, series, bond_issue),
    foreign key (entity, bond_issue) references bond_issue
);
create trigger series_member_is_immutable before update or delete or truncate on series_member for each statement execute function refuse_change();
