//! parwright
pub mod accounting;
pub mod app;
pub mod audit;
pub mod auth;
pub mod cli;
pub mod config;
pub mod demo;
pub mod document;
pub mod export;
pub mod http;
pub mod posting;
pub mod reading;
pub mod reports;
pub mod service;
pub mod store;
