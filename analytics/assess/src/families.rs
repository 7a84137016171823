//! Device types and revisions compared: drift rates, loops with a finding, failed exchanges, and whether a family is
//! getting worse. Families of few loops are drawn towards the fleet (partial pooling), so that none leads by chance.
//!
//! A family's rate is the mean over its loops of each loop's slope (Theil and Sen, over day means of analog minus digital);
//! its failed share the geometric middle of its loops' odds. Both have a standard error from the scatter between loops of
//! one family, estimated over all families together, since two loops say nothing of their own scatter.

use crate::AssessError;
use crate::engine::Assessed;
use crate::family::{
    Change, Compared, ErrorShare, Families, Family, FamilyQuery, FleetMean, Member, Rates, Shares,
    Week,
};
use crate::frames::{self, FamilyRow, LoopDayRow, LoopRow, LoopWeekRow, Summed};
use analytics_detect::pooling::{
    Interval, mean, pool_means, pool_shares, rate_change, sen_slope, share,
};
use analytics_detect::{AttentionRow, Finding, Kind};
use ingest_model::instant::MICROS_PER_DAY;
use ingest_model::{LoopEntry, Scope, Tag, UtcMicros};
use ingest_store::Register;
use std::collections::{BTreeMap, HashMap};

/// Days with both values that a slope needs, and samples that make such a day.
const RATE_DAYS: usize = 7;
const DAY_SAMPLES: u32 = 6;
/// Polls that a loop's failed share needs.
const POLLS: f64 = 100.0;
/// Days on each side of a change, and the chance below which one is said.
const MARGIN_DAYS: usize = 3;
/// Fewer first findings cannot show a change; families with fewer are not counted among those looked at, which depends on
/// their number alone (Tarone, *Biometrics* 46 (1990) 515).
const LEAST_BEGUN: u64 = 3;
const SAID_BELOW: f64 = 0.05;

const METHOD: [&str; 5] = [
    "Rate: mean over loops of each loop's Theil-Sen slope over day means; days of a held, silent or out-of-range signal are left out; loops from their newest baseline on.",
    "Intervals are 95 %. Of a family by itself: rates and failed shares by the scatter between loops of one family, estimated over all families together; shares by Wilson.",
    "Pooled: hierarchical models over the families (normal with known errors; beta-binomial), integrated over the spread between families; none below three families.",
    "Findings: open ones; changed configurations only if asked for; not those that a shared gateway, modem, card, box, supply or area explains.",
    "Change: the most likely single change of the rate at which loops get their first finding, exact binomial tail times the days and the families looked at (those with three first findings); said below 0.05. What was there when a loop's record began does not count, and what began in the newest days may not be found yet.",
];

/// A loop with a device type: entry, baseline, names of type and revision, all findings and those that count.
type Typed<'a> = (
    &'a LoopEntry,
    Option<UtcMicros>,
    (String, Option<String>),
    &'a [Finding],
    Vec<&'a Finding>,
);

/// One loop before it is grouped.
struct Seen {
    row: LoopRow,
    member: Member,
    weeks: Vec<LoopWeekRow>,
    days: Vec<LoopDayRow>,
}

/// Compares the families as of an assessment.
///
/// # Errors
/// When a table cannot be made.
pub fn families(
    assessed: &Assessed,
    register: &Register,
    query: &FamilyQuery,
) -> Result<Families, AssessError> {
    let result = &assessed.result;
    let mut out = Families {
        from: None,
        to: None,
        days: query.days,
        kind: query.kind,
        without_type: 0,
        explained_elsewhere: 0,
        fleet: Vec::new(),
        families: Vec::new(),
        method: METHOD.to_vec(),
    };
    let (Some(start), Some(to)) = (result.from, result.to) else {
        return Ok(out);
    };
    let span = Span::new(start, to, query.days);
    out.from = Some(span.from.to_rfc3339());
    out.to = Some(to.to_rfc3339());
    let attention: HashMap<&Tag, &AttentionRow> =
        result.attention.iter().map(|r| (&r.tag, r)).collect();
    let own: BTreeMap<&str, bool> = result
        .common_causes
        .iter()
        .map(|c| {
            let own = matches!(c.scope, Scope::DeviceType | Scope::DeviceRevision);
            (c.id.as_str(), own)
        })
        .collect();
    let counts = |f: &Finding| match query.kind {
        Some(kind) => f.kind == kind,
        None => f.kind != Kind::ConfigurationChange,
    };
    let elsewhere = |f: &Finding| {
        let cause = f.common_cause.as_deref();
        cause.is_some_and(|id| own.get(id) == Some(&false))
    };
    let mut typed = Vec::new();
    for tag in register.tags().filter(|t| !register.is_retired(t)) {
        let Some(entry) = register.at(tag, to).or_else(|| register.current(tag)) else {
            continue;
        };
        let Some(type_name) = entry.member_of(Scope::DeviceType) else {
            out.without_type += 1;
            continue;
        };
        let all = attention
            .get(tag)
            .map_or(&[][..], |r| r.findings.as_slice());
        let asked = all.iter().filter(|f| counts(f));
        let (left_out, counted): (Vec<&Finding>, Vec<&Finding>) = asked.partition(|f| elsewhere(f));
        out.explained_elsewhere += left_out.iter().filter(|f| f.ended.is_none()).count();
        let since = register.baseline_at(tag, to).map(|b| b.from);
        let names = (type_name, entry.member_of(Scope::DeviceRevision));
        typed.push((entry, since, names, all, counted));
    }
    // Blocks are unpacked loop by loop, on all cores.
    let threads = std::thread::available_parallelism().map_or(1, usize::from);
    let part = typed.len().div_ceil(threads).max(1);
    let span_ref = &span;
    let seen: Vec<Seen> = std::thread::scope(|scope| {
        let running: Vec<_> = typed
            .chunks(part)
            .map(|loops| {
                scope.spawn(move || {
                    let one = |(entry, since, names, all, counted): &Typed<'_>| {
                        look(
                            assessed,
                            entry,
                            *since,
                            names.clone(),
                            all,
                            counted,
                            span_ref,
                        )
                    };
                    loops.iter().map(one).collect::<Vec<Seen>>()
                })
            })
            .collect();
        let parts = running.into_iter().map(|r| match r.join() {
            Ok(seen) => seen,
            Err(panic) => std::panic::resume_unwind(panic),
        });
        parts.flatten().collect()
    });
    for scope in [Scope::DeviceType, Scope::DeviceRevision] {
        compare(&mut out, scope, &seen, &span)?;
    }
    Ok(out)
}

/// The time compared.
struct Span {
    from: UtcMicros,
    to: UtcMicros,
    weeks: i64,
}

impl Span {
    fn new(start: UtcMicros, to: UtcMicros, days: i64) -> Self {
        let from = start.max(UtcMicros(
            to.0.saturating_sub(days.saturating_mul(MICROS_PER_DAY)),
        ));
        Self {
            from,
            to,
            weeks: (to.0 - from.0) / (7 * MICROS_PER_DAY),
        }
    }

    /// Week `k`, the oldest being 0: begin and end.
    fn week(&self, k: i64) -> (UtcMicros, UtcMicros) {
        let end = self.to.0 - (self.weeks - 1 - k) * 7 * MICROS_PER_DAY;
        (UtcMicros(end - 7 * MICROS_PER_DAY), UtcMicros(end))
    }
}

fn look(
    assessed: &Assessed,
    entry: &LoopEntry,
    baseline: Option<UtcMicros>,
    (type_name, revision_name): (String, Option<String>),
    all: &[Finding],
    counted: &[&Finding],
    span: &Span,
) -> Seen {
    let first_day = span
        .from
        .day()
        .max(baseline.map_or(i64::MIN, |t| t.day() + 1));
    let mut blocks = assessed.day_blocks(&entry.tag);
    blocks.retain(|b| b.day >= first_day && b.rows > 0);
    let held = |day: i64| {
        all.iter().any(|f| {
            matches!(
                f.kind,
                Kind::StuckValue | Kind::FixedCurrent | Kind::CurrentOutOfRange | Kind::NoReply
            ) && f.onset_low.day() <= day
                && f.ended.is_none_or(|t| day <= t.day())
        })
    };
    let points: Vec<(f64, f64)> = blocks
        .iter()
        .filter(|b| !entry.multidrop && b.e.n >= DAY_SAMPLES && !held(b.day))
        .map(|b| (b.day as f64, b.e.mean()))
        .filter(|(_, e)| e.is_finite())
        .collect();
    let rate = (points.len() >= RATE_DAYS)
        .then(|| sen_slope(&points))
        .flatten();
    let polls: f64 = blocks.iter().map(|b| f64::from(b.rows)).sum();
    let replies: f64 = blocks.iter().map(|b| f64::from(b.replies)).sum();
    let failed = (polls - replies).max(0.0);
    let open: Vec<&&Finding> = counted.iter().filter(|f| f.ended.is_none()).collect();
    let weeks = (0..span.weeks).map(|k| {
        let (from, to) = span.week(k);
        let seen = blocks
            .iter()
            .any(|b| b.first_row < to.0 && b.last_row >= from.0);
        let was_open = counted
            .iter()
            .any(|f| f.onset < to && f.ended.is_none_or(|t| t >= from));
        LoopWeekRow {
            week: k,
            loops: u64::from(seen),
            open: u64::from(seen && was_open),
        }
    });
    let onset = counted.iter().map(|f| f.onset.day()).min();
    let first_seen = blocks.first().map_or(i64::MAX, |b| b.day);
    // There when the record began: no beginning was seen.
    let from_start = onset.is_some_and(|o| o <= first_seen.saturating_add(1));
    let days = blocks
        .iter()
        .filter(|b| !from_start && onset.is_none_or(|o| b.day <= o))
        .map(|b| LoopDayRow {
            day: b.day,
            exposed: 1.0,
            begun: u64::from(onset == Some(b.day)),
        });
    Seen {
        weeks: weeks.collect(),
        days: days.collect(),
        member: Member {
            tag: entry.tag.to_string(),
            rate_pct_per_day: rate,
            failed_share: (polls > 0.0).then(|| failed / polls),
            kinds: open.iter().map(|f| f.kind).collect(),
            since: open
                .iter()
                .map(|f| f.onset)
                .min()
                .map(UtcMicros::to_rfc3339),
        },
        row: LoopRow {
            type_name,
            revision_name,
            rate,
            failed_logit: (polls >= POLLS).then(|| ((failed + 0.5) / (replies + 0.5)).ln()),
            failed,
            polls,
            judged: u64::from(!blocks.is_empty()),
            found: u64::from(!blocks.is_empty() && !open.is_empty()),
        },
    }
}

/// Means of groups with the scatter within them estimated over all groups together.
fn compared(groups: &[Summed]) -> (Vec<Compared>, Option<Interval>, Option<f64>) {
    let none = Compared {
        raw: None,
        pooled: None,
    };
    let mut out = vec![none; groups.len()];
    let spare = |g: &Summed| g.n.saturating_sub(1) as f64;
    let freedom: f64 = groups.iter().map(spare).sum();
    let squares: f64 = groups
        .iter()
        .map(|g| spare(g) * g.sd.unwrap_or(0.0).powi(2))
        .sum();
    if freedom <= 0.0 {
        return (out, None, None);
    }
    let scatter = (squares / freedom).sqrt();
    let with: Vec<(usize, f64, f64)> = groups
        .iter()
        .enumerate()
        .filter(|(_, g)| g.n > 0)
        .filter_map(|(i, g)| Some((i, g.mean?, scatter / (g.n as f64).sqrt())))
        .collect();
    let means: Vec<f64> = with.iter().map(|w| w.1).collect();
    let errors: Vec<f64> = with.iter().map(|w| w.2).collect();
    let pooled = pool_means(&means, &errors);
    for (k, (i, m, se)) in with.iter().enumerate() {
        if let Some(c) = out.get_mut(*i) {
            c.raw = Some(mean(*m, *se));
            c.pooled = pooled.as_ref().and_then(|p| p.groups.get(k).copied());
        }
    }
    (out, pooled.map(|p| p.fleet), Some(scatter))
}

fn logistic(x: f64) -> f64 {
    1.0 / (1.0 + (-x).exp())
}

fn compare(
    out: &mut Families,
    scope: Scope,
    seen: &[Seen],
    span: &Span,
) -> Result<(), AssessError> {
    let name_of = |s: &Seen| match scope {
        Scope::DeviceType => Some(s.row.type_name.clone()),
        _ => s.row.revision_name.clone(),
    };
    let named: Vec<(String, &Seen)> = seen.iter().filter_map(|s| Some((name_of(s)?, s))).collect();
    let rows: Vec<FamilyRow> = frames::by_family(named.iter().map(|(n, s)| (n.as_str(), &s.row)))?;
    let weeks = frames::by_week(
        named
            .iter()
            .flat_map(|(n, s)| s.weeks.iter().map(move |w| (n.as_str(), w))),
    )?;
    // A row for each family and day, not for each loop and day: a large fleet has millions of those.
    let mut summed: BTreeMap<(&str, i64), LoopDayRow> = BTreeMap::new();
    for (name, d) in named
        .iter()
        .flat_map(|(n, s)| s.days.iter().map(move |d| (n, d)))
    {
        let none = LoopDayRow {
            day: d.day,
            exposed: 0.0,
            begun: 0,
        };
        let sum = summed.entry((name.as_str(), d.day)).or_insert(none);
        sum.exposed += d.exposed;
        sum.begun += d.begun;
    }
    let days = frames::by_day(summed.iter().map(|((name, _), d)| (*name, d)))?;
    let (rates, rate_mean, scatter) = compared(&rows.iter().map(|r| r.rate).collect::<Vec<_>>());
    let (errors, error_mean, _) =
        compared(&rows.iter().map(|r| r.failed_logit).collect::<Vec<_>>());
    let judged: Vec<usize> = (0..rows.len()).filter(|i| rows[*i].judged > 0).collect();
    let hits: Vec<u64> = judged.iter().map(|i| rows[*i].found).collect();
    let of: Vec<u64> = judged.iter().map(|i| rows[*i].judged).collect();
    let pooled = pool_shares(&hits, &of);
    let mut found: Vec<Family> = Vec::new();
    let mut looked_at = 0.0;
    for (i, r) in rows.iter().enumerate() {
        let place = judged.iter().position(|j| j == &i);
        let at = |c: &[Compared]| {
            c.get(i).copied().unwrap_or(Compared {
                raw: None,
                pooled: None,
            })
        };
        let daily = days.get(&r.name).map_or(&[][..], Vec::as_slice);
        let change = change(daily);
        let begun: u64 = daily.iter().map(|d| d.begun).sum();
        looked_at += f64::from(u8::from(change.is_some()));
        let failed = at(&errors);
        let mut loops: Vec<Member> = named
            .iter()
            .filter(|(n, _)| *n == r.name)
            .map(|(_, s)| s.member.clone())
            .collect();
        // Those with a finding first, then by how fast they drift.
        let size = |m: &Member| m.rate_pct_per_day.map_or(-1.0, f64::abs);
        loops.sort_by(|a, b| {
            let by_finding = a.kinds.is_empty().cmp(&b.kinds.is_empty());
            by_finding.then(size(b).total_cmp(&size(a)))
        });
        found.push(Family {
            scope: scope.as_str(),
            name: r.name.clone(),
            members: r.members,
            rate: Rates {
                loops: r.rate.n,
                mean: at(&rates),
                p10: r.p10,
                median: r.median,
                p90: r.p90,
            },
            findings: Shares {
                loops: r.found,
                of: r.judged,
                share: Compared {
                    raw: share(r.found, r.judged),
                    pooled: place.and_then(|k| pooled.as_ref()?.groups.get(k).copied()),
                },
            },
            errors: ErrorShare {
                loops: r.failed_logit.n,
                failed: r.failed as u64,
                polls: r.polls as u64,
                share: Compared {
                    raw: failed.raw.map(|v| v.map(logistic)),
                    pooled: failed.pooled.map(|v| v.map(logistic)),
                },
            },
            weeks: (0..span.weeks)
                .map(|k| week(k, span, weeks.get(&(r.name.clone(), k)), daily))
                .collect(),
            begun,
            change,
            loops,
        });
    }
    for c in found.iter_mut().filter_map(|f| f.change.as_mut()) {
        c.p_value = (c.p_value * looked_at).min(1.0);
        c.evidenced = c.p_value <= SAID_BELOW;
    }
    let share_of = |f: &Family| {
        let c = f.findings.share;
        c.pooled.or(c.raw).map_or(-1.0, |v| v.value)
    };
    found.sort_by(|a, b| {
        share_of(b)
            .total_cmp(&share_of(a))
            .then_with(|| a.name.cmp(&b.name))
    });
    out.fleet.push(FleetMean {
        scope: scope.as_str(),
        families: found.len(),
        rate_pct_per_day: rate_mean,
        finding_share: pooled.map(|p| p.fleet),
        failed_share: error_mean.map(|v| v.map(logistic)),
        loop_scatter_pct_per_day: scatter,
    });
    out.families.append(&mut found);
    Ok(())
}

fn week(k: i64, span: &Span, sums: Option<&(u64, u64)>, daily: &[LoopDayRow]) -> Week {
    let (from, to) = span.week(k);
    let (loops, open) = sums.copied().unwrap_or_default();
    let inside = |d: &&LoopDayRow| (from.day()..to.day()).contains(&d.day);
    Week {
        from: from.to_rfc3339(),
        to: to.to_rfc3339(),
        loops,
        open,
        share: share(open, loops),
        begun: daily.iter().filter(inside).map(|d| d.begun).sum(),
    }
}

/// `daily` in order of days; days on which nobody was looked at are not in it.
fn change(daily: &[LoopDayRow]) -> Option<Change> {
    let events: Vec<u64> = daily.iter().map(|d| d.begun).collect();
    if events.iter().sum::<u64>() < LEAST_BEGUN {
        return None;
    }
    let exposed: Vec<f64> = daily.iter().map(|d| d.exposed).collect();
    let c = rate_change(&events, &exposed, MARGIN_DAYS)?;
    let day = |i: usize| {
        daily
            .get(i)
            .map(|d| UtcMicros::from_day(d.day).to_rfc3339())
    };
    let per_100_loop_weeks = |per_loop_day: f64| 700.0 * per_loop_day;
    Some(Change {
        direction: if c.after > c.before {
            "worse"
        } else {
            "better"
        },
        evidenced: false,
        since: day(c.at)?,
        since_low: day(c.low)?,
        since_high: day(c.high)?,
        before_per_100_loop_weeks: per_100_loop_weeks(c.before),
        after_per_100_loop_weeks: per_100_loop_weeks(c.after),
        p_value: c.p_value,
    })
}
