//! Progress of long work on standard error.

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use std::io::IsTerminal;
use std::time::{Duration, Instant};

/// Progress on standard error: a bar on a terminal, else a line every few seconds.
pub(crate) struct Progress {
    bar: ProgressBar,
    label: String,
    lines: bool,
    last: Instant,
}

impl Progress {
    pub(crate) fn start(label: &str) -> Self {
        let lines = !std::io::stderr().is_terminal();
        let bar = ProgressBar::with_draw_target(
            Some(1000),
            if lines {
                ProgressDrawTarget::hidden()
            } else {
                ProgressDrawTarget::stderr()
            },
        );
        if let Ok(style) = ProgressStyle::with_template("{prefix} {bar:30} {percent:>3} % {msg}") {
            bar.set_style(style);
        }
        bar.set_prefix(label.to_owned());
        Self {
            bar,
            label: label.to_owned(),
            lines,
            last: Instant::now(),
        }
    }

    pub(crate) fn set(&mut self, share: f64, message: &str) {
        let share = share.clamp(0.0, 1.0);
        self.bar.set_position((share * 1000.0) as u64);
        self.bar.set_message(message.to_owned());
        if self.lines && self.last.elapsed() > Duration::from_secs(5) {
            self.last = Instant::now();
            eprintln!("{} {:.0} % {message}", self.label, share * 100.0);
        }
    }

    pub(crate) fn done(self, message: &str) {
        self.bar.finish_and_clear();
        eprintln!("{}: {message}", self.label);
    }
}
