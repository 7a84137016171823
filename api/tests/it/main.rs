//! The program from outside: command line, configuration, HTTP. One binary, since each links all of polars.

mod cli;
mod config;
mod decode;
mod export;
mod http;
mod live;
mod service;
mod support;
