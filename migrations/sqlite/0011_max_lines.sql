-- The most lines that a batch of the entity may have; 0 for no such limit.
alter table entity add column max_lines_per_batch integer not null default 0;
