//! What a comparison of device families answers. Times are RFC 3339, UTC; intervals are 95 %.

use analytics_detect::Kind;
use analytics_detect::pooling::Interval;
use serde::Serialize;

/// What is compared.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct FamilyQuery {
    /// Days looked back from the end of the assessment.
    pub days: i64,
    /// Only findings of this kind; `None` = all but changed configurations, which people make.
    pub kind: Option<Kind>,
}

/// A figure of a family: by itself, and drawn towards the fleet.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Compared {
    /// By itself; null where nothing can be said.
    pub raw: Option<Interval>,
    /// Partially pooled; null below three families.
    pub pooled: Option<Interval>,
}

/// Drift rates, % of span a day, analog minus digital.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Rates {
    /// Loops that have a rate.
    pub loops: usize,
    /// Their mean.
    pub mean: Compared,
    /// Where the middle 80 % of the loops lie, and the middle one.
    pub p10: Option<f64>,
    pub median: Option<f64>,
    pub p90: Option<f64>,
}

/// Loops with an open finding.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Shares {
    pub loops: u64,
    /// Of so many that have readings.
    pub of: u64,
    pub share: Compared,
}

/// Failed exchanges.
#[derive(Clone, Copy, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ErrorShare {
    pub loops: usize,
    pub failed: u64,
    pub polls: u64,
    /// Geometric middle of the loops, by odds.
    pub share: Compared,
}

/// Seven days, counted back from the end.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Week {
    pub from: String,
    pub to: String,
    /// Loops with readings, and those of them that had an open finding, with Wilson's interval.
    pub loops: u64,
    pub open: u64,
    pub share: Option<Interval>,
    /// Loops whose first finding began.
    pub begun: u64,
}

/// The most likely single change in how often loops get their first finding.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Change {
    /// `worse` or `better`.
    pub direction: &'static str,
    /// Little enough chance that a steady rate would look so; else it is shown and not claimed.
    pub evidenced: bool,
    pub since: String,
    pub since_low: String,
    pub since_high: String,
    /// Loops with a first finding in 100 loops in a week.
    pub before_per_100_loop_weeks: f64,
    pub after_per_100_loop_weeks: f64,
    /// Adjusted for all days and all families looked at.
    pub p_value: f64,
}

/// A loop of a family.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Member {
    pub tag: String,
    pub rate_pct_per_day: Option<f64>,
    pub failed_share: Option<f64>,
    /// Open findings that count, and the onset of the first.
    pub kinds: Vec<Kind>,
    pub since: Option<String>,
}

/// A device type, or a type with one revision.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Family {
    /// `device_type` or `device_revision`.
    pub scope: &'static str,
    /// `0xFA42`, or `0xFA42/5`.
    pub name: String,
    pub members: usize,
    pub rate: Rates,
    pub findings: Shares,
    pub errors: ErrorShare,
    /// The oldest first.
    pub weeks: Vec<Week>,
    /// First findings that began within the time, and the change in them; null below three.
    pub begun: u64,
    pub change: Option<Change>,
    pub loops: Vec<Member>,
}

impl Family {
    /// The same with an empty list of loops.
    #[must_use]
    pub fn without_loops(&self) -> Self {
        Self {
            scope: self.scope,
            name: self.name.clone(),
            members: self.members,
            rate: self.rate,
            findings: self.findings,
            errors: self.errors,
            weeks: self.weeks.clone(),
            begun: self.begun,
            change: self.change.clone(),
            loops: Vec::new(),
        }
    }
}

/// The fleet's own figures, between which families lie.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct FleetMean {
    pub scope: &'static str,
    pub families: usize,
    pub rate_pct_per_day: Option<Interval>,
    pub finding_share: Option<Interval>,
    pub failed_share: Option<Interval>,
    /// Scatter of rates between loops of one family, % of span a day.
    pub loop_scatter_pct_per_day: Option<f64>,
}

/// All families.
#[derive(Clone, Debug, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Families {
    pub from: Option<String>,
    pub to: Option<String>,
    pub days: i64,
    pub kind: Option<Kind>,
    /// Loops whose device type the register does not know.
    pub without_type: usize,
    /// Open findings left out because something else that loops share explains them (gateway, box, supply, ...).
    pub explained_elsewhere: usize,
    pub fleet: Vec<FleetMean>,
    /// By scope, then the pooled share of loops with a finding, the largest first.
    pub families: Vec<Family>,
    pub method: Vec<&'static str>,
}

impl Families {
    /// The same with an empty list of families.
    #[must_use]
    pub fn about(&self) -> Self {
        Self {
            from: self.from.clone(),
            to: self.to.clone(),
            days: self.days,
            kind: self.kind,
            without_type: self.without_type,
            explained_elsewhere: self.explained_elsewhere,
            fleet: self.fleet.clone(),
            families: Vec::new(),
            method: self.method.clone(),
        }
    }
}
