//! The program from outside: command line, configuration, HTTP. One binary, since each links all of polars.

mod alerts;
mod cases;
mod circuit;
mod cli;
mod config;
mod decode;
mod edits;
mod events;
mod export;
mod hart_only;
mod http;
mod live;
mod points;
mod refusals;
mod report;
mod service;
mod support;
