//! Loopwitness, the program: command line, configuration, service, HTTP API, metrics and the embedded page.
//!
//! The edge of the workspace: the only crate that reads the wall clock, listens, and wires the others together.

pub mod access;
pub mod alerts;
mod assessing;
pub mod casebook;
pub mod cli;
pub mod clock;
mod collection;
pub mod config;
pub mod decode;
mod demo;
pub mod http;
pub mod metrics;
pub mod news;
pub mod notes;
pub mod ownstatus;
mod page;
pub mod plan;
mod replay;
mod report;
pub mod service;
pub mod settings;
pub mod state;
pub mod table;
pub mod thin;
