//! The program from outside: command line, configuration, HTTP. One binary, since each links all of polars.

mod cases;
mod cli;
mod config;
mod decode;
mod http;
mod live;
mod report;
mod service;
mod support;
