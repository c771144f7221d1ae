//! One integration binary: a file a resource, a file a promise.

mod accounting;
mod api;
mod api_histories;
mod architecture;
mod concurrency;
mod crash;
mod delivery;
mod demo;
mod generated_client;
mod histories;
mod http_base;
mod imports;
mod libraries;
mod pages;
mod published;
mod reference;
mod renderings;
mod store;
mod support;
mod tampering;
mod workbooks;
