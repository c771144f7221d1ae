-- Conversions that are recorded together share batches, and each is reversed on its own: several batches may invert entries of one.
-- That an event is reversed once is kept by the key of its reversal.
drop index batch_by_reversed;
create index batch_by_reversed on batch (entity, reverses) where reverses is not null;
