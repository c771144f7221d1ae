-- How an entity's journal lines are written as CSV for the system that reads them. A version never changes: what a file was written
-- by can be read again. The newest one of a name is in force; there is no pointer to it that could be wrong.
create table layout (
    entity       text collate "C" not null,
    name         text collate "C" not null,
    version      bigint not null,
    sequence     bigint not null,
    recorded_at  bigint not null,
    document     text collate "C" not null,
    primary key (entity, name, version),
    foreign key (entity, sequence) references record
);
create trigger layout_is_immutable before update or delete or truncate on layout for each statement execute function refuse_change();
