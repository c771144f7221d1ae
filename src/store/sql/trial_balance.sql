-- Lines hold roles and signed amounts, debits positive; the batch has the posting date and the currency.
select
    l.account_role,
    cast(sum(case when l.amount > 0 then l.amount else 0 end) as bigint),
    cast(sum(case when l.amount < 0 then -l.amount else 0 end) as bigint)
from batch b
join line l on l.entity = b.entity and l.batch = b.id
where b.entity = $1
    and b.posting_date <= $2
    and b.sequence <= $3
    and b.currency = $4
group by l.account_role
order by l.account_role
