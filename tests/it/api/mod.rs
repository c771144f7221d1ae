//! The interface as callers meet it: every promise of the contract, on SQLite and on PostgreSQL.

mod accruals;
mod backdated;
mod bond_issues;
mod carrying_value;
mod conditional;
mod conversions;
mod coupon_payments;
mod idempotency;
mod inducement_stages;
mod inducements;
mod known_at;
mod natural_keys;
mod previews;
mod settlements;
