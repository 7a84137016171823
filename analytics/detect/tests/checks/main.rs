//! Checks over all detectors: degenerate records, values from outside, the pages of docs/detectors, work that is announced.

mod attention;
mod chance;
mod common;
mod degenerate;
mod moments;
mod pages;
mod statistics;
mod work;
