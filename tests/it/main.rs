//! One integration binary: a file a resource, a file a promise.

mod accounting;
