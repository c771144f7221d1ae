-- How an entity's journal lines are written as CSV for the system that reads them. A version never changes: what a file was written
-- by can be read again. The newest one of a name is in force; there is no pointer to it that could be wrong.
create table layout (
    entity       text not null,
    name         text not null,
    version      integer not null,
    sequence     integer not null,
    recorded_at  integer not null,
    document     text not null,
    primary key (entity, name, version),
    foreign key (entity, sequence) references record
) strict, without rowid;
create trigger layout_refuses_update before update on layout begin select raise(abort, 'posted rows of layout never change'); end;
create trigger layout_refuses_delete before delete on layout begin select raise(abort, 'posted rows of layout never change'); end;
