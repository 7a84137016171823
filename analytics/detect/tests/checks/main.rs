//! Checks over all detectors: degenerate records, values from outside, the pages of docs/detectors, work that is announced.

mod common;
mod degenerate;
mod statistics;
mod work;
