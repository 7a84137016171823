//! The program from outside: command line, configuration, HTTP. One binary, since each links all of polars.

mod access;
mod alerts;
mod baseline;
mod cases;
mod circuit;
mod cli;
mod config;
mod decode;
mod edits;
mod events;
mod export;
mod families;
mod hart_only;
mod http;
mod live;
mod ownstatus;
mod points;
mod refusals;
mod report;
mod service;
mod settings;
mod sheets;
mod support;
