-- A batch takes part in a movement by each of its entries, but is named once.
select distinct e.bond_issue, e.movement, b.number
from entry e
join batch b on b.entity = e.entity and b.id = e.batch
where e.entity = $1
    and e.posting_date >= $2
    and e.posting_date <= $3
    and e.sequence <= $4
    and b.currency = $5
    and (e.bond_issue, e.movement, b.number) > ($6, $7, $8)
order by e.bond_issue, e.movement, b.number
limit $9
