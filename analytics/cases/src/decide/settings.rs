//! When evidence counts: the times and limits of `decide`.

/// When evidence counts. Times in seconds or hours as named.
#[derive(Clone, Debug, PartialEq)]
pub struct Settings {
    /// A finding opens a case once assessments over this time have shown it; on a safety loop at once.
    pub persists_s: i64,
    /// A finding whose whole onset interval lies this far back has persisted already.
    pub old_onset_h: i64,
    pub min_confidence: f64,
    /// Evidence is gone once assessments over this time have not shown it.
    pub gone_s: i64,
    /// Between two notes that the evidence has changed.
    pub seen_every_h: i64,
    /// An acknowledged case closes itself after its evidence has been gone so long.
    pub clear_h: i64,
    /// Evidence that is still there so long after attendance has returned; sooner where the detector of the kind is quick
    /// (twice its usual delay).
    pub return_h: i64,
    /// Least time of watch, and confidence, with which an attended case closes itself.
    pub prove_h: f64,
    pub prove_confidence: f64,
    /// What was proved or cleared comes back as the same case within this time; later it is a new one.
    pub same_case_days: i64,
    /// A deviation that a person has closed opens a new case once it is so many times as large, and larger by so much.
    pub worse_ratio: f64,
    pub worse_step_pct: f64,
    /// A configuration change opens a case if it is not older than this.
    pub configuration_days: i64,
}

impl Default for Settings {
    fn default() -> Self {
        Self {
            persists_s: 30 * 60,
            old_onset_h: 6,
            min_confidence: 0.5,
            gone_s: 30 * 60,
            seen_every_h: 6,
            clear_h: 72,
            return_h: 72,
            prove_h: 72.0,
            prove_confidence: 0.9,
            same_case_days: 30,
            worse_ratio: 2.0,
            worse_step_pct: 0.25,
            configuration_days: 14,
        }
    }
}
