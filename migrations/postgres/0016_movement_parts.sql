-- The parts of an entry's paid-in capital and expense that a rollforward shows apart. They are read off the entry's lines, those of
-- entries posted before too: nothing that was posted changes by it.
alter table entry add column common_stock bigint not null default 0;
alter table entry add column treasury_stock bigint not null default 0;
alter table entry add column debt_conversion_expense bigint not null default 0;
alter table entry add column loss_on_amendment bigint not null default 0;
alter table entry disable trigger entry_is_immutable;
update entry set
    common_stock = -p.common_stock, treasury_stock = -p.treasury_stock,
    debt_conversion_expense = p.debt_conversion_expense, loss_on_amendment = p.loss_on_amendment
from (select entity, batch, entry,
        sum(case account_role when 'common_stock' then amount else 0 end) as common_stock,
        sum(case account_role when 'treasury_stock' then amount else 0 end) as treasury_stock,
        sum(case account_role when 'debt_conversion_expense' then amount else 0 end) as debt_conversion_expense,
        sum(case account_role when 'loss_on_amendment_of_conversion_terms' then amount else 0 end) as loss_on_amendment
    from line
    where account_role in ('common_stock', 'treasury_stock', 'debt_conversion_expense', 'loss_on_amendment_of_conversion_terms')
    group by entity, batch, entry) p
where entry.entity = p.entity and entry.batch = p.batch and entry.entry = p.entry;
alter table entry enable trigger entry_is_immutable;
