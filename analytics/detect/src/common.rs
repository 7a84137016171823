//! Common causes: one kind of finding enriched in what loops share.
//!
//! Hypergeometric upper tail of the affected among a group's members, given the fleet (Fisher 1935), times the chance
//! that their onsets agree as they do, times the number of groups looked at (Bonferroni). The best group is taken, its
//! members removed, and the search repeated; of groups that explain the same loops the smaller stands. Agreement alone
//! makes no group: belonging to it must be evidence by itself, and decides between groups.
//!
//! Onsets: that all of `k` fall into a stretch which holds the share `u` of the others' onsets has the chance
//! `k u^(k-1) - (k-1) u^k` (the range of `k` uniform numbers; David and Nagaraja, Order Statistics, 2.3, from memory).
//! `u` is the share of the fleet's other findings of the kind that began then, with one more spread evenly over the
//! record (Dirichlet prior of weight one on the uniform distribution): so a day on which much began everywhere is no
//! evidence, and in a small fleet with few other findings a short stretch still is some. A ceiling that falls meets each
//! loop in its own time: there onsets need not agree, and count for nothing. Sizes of drift count as onsets do.

use crate::drift::cause;
use crate::finding::{AttentionRow, CommonCause, Evidence, Finding, Kind};
use ingest_model::{Criticality, LoopEntry, Scope, Tag, UtcMicros};
use std::collections::{BTreeMap, BTreeSet};

/// Adjusted chance below which a group is a cause, and the affected members it needs.
pub const MAX_P: f64 = 0.01;
pub const MIN_AFFECTED: usize = 3;
/// Chance, before any adjustment, below which belonging to the group must be evidence by itself.
pub const MAX_SHARE_P: f64 = 0.05;
/// Onsets that lie within this time of each other agree even if their intervals are narrow.
const ONSET_SLACK_US: i64 = 36 * 3_600_000_000;

/// Sizes of drift that are met, and how far apart equal ones are measured each way (as a logarithm).
const SIZES_PCT: [f64; 2] = [0.1, 10.0];
const SIZE_SLACK: f64 = 0.05;

/// One finding as the search sees it.
#[derive(Clone, Debug)]
pub struct Sign {
    pub tag: Tag,
    pub kind: Kind,
    pub cause: Option<&'static str>,
    pub onset: UtcMicros,
    pub onset_low: UtcMicros,
    pub onset_high: UtcMicros,
    /// Current above the digital value (drift only).
    pub up: Option<bool>,
    /// How large the deviation is, % of span (drift that is offset or span only).
    pub size_pct: Option<f64>,
    /// Drift that its own record tells apart: span, or else offset.
    pub span: Option<bool>,
    pub score: f64,
}

/// What the rows of an assessment bring to the search.
pub fn signs(rows: &[AttentionRow]) -> Vec<Sign> {
    rows.iter()
        .flat_map(|r| {
            r.findings.iter().map(|f| Sign {
                tag: r.tag.clone(),
                kind: f.kind,
                cause: f.cause,
                onset: f.onset,
                onset_low: f.onset_low,
                onset_high: f.onset_high,
                up: f
                    .deviation_pct
                    .filter(|_| f.kind == Kind::AnalogDigitalDrift)
                    .map(|v| v > 0.0),
                size_pct: f
                    .deviation_pct
                    .filter(|_| matches!(f.cause, Some("offset" | "span")))
                    .map(f64::abs),
                span: told_form(f),
                score: r.score,
            })
        })
        .collect()
}

fn told_form(f: &Finding) -> Option<bool> {
    match f.evidence.get(cause::EVIDENCE) {
        Some(Evidence::Number(v)) if v.abs() > cause::TOLD_APART => Some(*v > 0.0),
        _ => None,
    }
}

/// ln(n!) by Stirling's series beyond 20, exact below.
fn ln_factorial(n: f64) -> f64 {
    if n < 20.0 {
        return (2..=n as u64).map(|i| (i as f64).ln()).sum();
    }
    let x = n + 1.0;
    (x - 0.5) * x.ln() - x + 0.5 * (2.0 * std::f64::consts::PI).ln() + 1.0 / (12.0 * x)
        - 1.0 / (360.0 * x * x * x)
}

fn ln_choose(n: f64, k: f64) -> f64 {
    if k < 0.0 || k > n {
        f64::NEG_INFINITY
    } else {
        ln_factorial(n) - ln_factorial(k) - ln_factorial(n - k)
    }
}

/// P(X >= k) for k marked among `drawn` of `total`, `marked` of which are marked.
pub fn hypergeometric_tail(total: usize, marked: usize, drawn: usize, k: usize) -> f64 {
    let (n, m, d) = (total as f64, marked as f64, drawn as f64);
    let all = ln_choose(n, d);
    (k..=marked.min(drawn))
        .map(|i| (ln_choose(m, i as f64) + ln_choose(n - m, d - i as f64) - all).exp())
        .sum::<f64>()
        .min(1.0)
}

/// Kinds whose signs may share a cause; drift is split by how it shows and to which side.
fn family(s: &Sign) -> (Kind, &'static str, Option<bool>) {
    match (s.kind, s.cause) {
        (Kind::AnalogDigitalDrift, Some(c @ ("supply-limited" | "intermittent" | "scaling"))) => {
            (s.kind, c, None)
        }
        (Kind::AnalogDigitalDrift, _) => (s.kind, "", s.up),
        _ => (s.kind, "", None),
    }
}

/// Chance that the onsets of `here` agree as closely as they do, given the onsets of the others.
fn coincidence(here: &[&Sign], in_group: usize, others: &[&Sign], record_us: f64) -> f64 {
    let k = here.len();
    let (Some(low), Some(high)) = (
        here.iter().map(|s| s.onset.0).min(),
        here.iter().map(|s| s.onset.0).max(),
    ) else {
        return 1.0;
    };
    let slack = ONSET_SLACK_US / 6;
    let within = others
        .iter()
        .filter(|o| (low - slack..=high + slack).contains(&o.onset.0))
        .count();
    let even = ((high - low + 2 * slack) as f64 / record_us.max(1.0)).min(1.0);
    let u = (within as f64 + even) / (others.len() as f64 + 1.0);
    range_chance(u, k, in_group)
}

/// Chance that the sizes of `here` agree as closely as they do, given those of the others: a reference that drifts takes
/// all loops with it by about as much. As for onsets, with one more finding spread evenly over the decades of [`SIZES_PCT`].
fn same_size(here: &[&Sign], in_group: usize, others: &[&Sign]) -> f64 {
    let of = |s: &&Sign| s.size_pct.filter(|v| *v > 0.0).map(f64::ln);
    let sizes: Vec<f64> = here.iter().filter_map(of).collect();
    if sizes.len() < here.len() || sizes.len() < MIN_AFFECTED {
        return 1.0;
    }
    let low = sizes.iter().copied().fold(f64::INFINITY, f64::min) - SIZE_SLACK;
    let high = sizes.iter().copied().fold(f64::NEG_INFINITY, f64::max) + SIZE_SLACK;
    let theirs: Vec<f64> = others.iter().filter_map(of).collect();
    let within = theirs.iter().filter(|v| (low..=high).contains(v)).count();
    let even = ((high - low) / (SIZES_PCT[1] / SIZES_PCT[0]).ln()).min(1.0);
    let u = (within as f64 + even) / (theirs.len() as f64 + 1.0);
    range_chance(u, here.len(), in_group)
}

/// Chance that `k` of `in_group` fall into a stretch that holds the share `u`.
fn range_chance(u: f64, k: usize, in_group: usize) -> f64 {
    let n = k as f64;
    let all = n * u.powi(k as i32 - 1) - (n - 1.0) * u.powi(k as i32);
    // Of those affected in the group the agreeing ones were picked.
    (all * ln_choose(in_group as f64, n).exp()).min(1.0)
}

/// Share of the error budget that plausible scopes get.
const PLAUSIBLE_SHARE: f64 = 0.97;

/// Scopes through which a finding of this kind spreads (common practice: what carries current, supply and
/// digital signal, or is built alike).
fn plausible(kind: Kind, cause: &str, scope: Scope) -> bool {
    use Scope::{Area, DeviceRevision, DeviceType, Gateway, InputCard, JunctionBox, Modem, Supply};
    match (kind, cause) {
        (Kind::AnalogDigitalDrift, "supply-limited") => matches!(scope, Supply | JunctionBox),
        (Kind::AnalogDigitalDrift, "intermittent") => {
            matches!(scope, JunctionBox | InputCard | Supply)
        }
        (Kind::AnalogDigitalDrift, _) => {
            matches!(
                scope,
                InputCard | JunctionBox | DeviceType | DeviceRevision | Supply
            )
        }
        (Kind::RisingErrors | Kind::NoReply, _) => {
            matches!(
                scope,
                Gateway | Modem | JunctionBox | Supply | DeviceRevision
            )
        }
        (Kind::Restarts | Kind::CurrentOutOfRange, _) => {
            matches!(scope, Supply | JunctionBox | InputCard)
        }
        (Kind::DeviceStatus | Kind::StatusChatter, _) => {
            matches!(scope, DeviceType | DeviceRevision | Supply | Area)
        }
        _ => true,
    }
}

/// Of two groups with the same members the one nearer to the loops is named: it is looked at first. What drifts steadily
/// or stands still is the card, what comes and goes the box (common practice).
fn locality(kind: Kind, cause: &str, s: Scope) -> u8 {
    let steady = match kind {
        Kind::AnalogDigitalDrift => cause.is_empty(),
        Kind::StuckValue => true,
        _ => false,
    };
    match s {
        Scope::JunctionBox => 1,
        Scope::InputCard => 2 * u8::from(!steady),
        Scope::Modem => 3,
        Scope::Supply => 4,
        Scope::DeviceRevision => 5,
        Scope::DeviceType => 6,
        Scope::Gateway => 7,
        Scope::Area => 8,
    }
}

/// Chance, members of the group, scope, its name, loops that show it, and what explanations are ranked by.
type Best<'a> = (f64, usize, Scope, &'a String, Vec<&'a Sign>, f64);

/// `record_us` is how long the record is that the signs come from.
pub fn search(loops: &[&LoopEntry], signs: &[Sign], record_us: f64) -> Vec<CommonCause> {
    // Members of each group.
    let mut groups: BTreeMap<(Scope, String), BTreeSet<&Tag>> = BTreeMap::new();
    for l in loops {
        for scope in Scope::ALL {
            if let Some(name) = l.member_of(scope) {
                groups.entry((scope, name)).or_default().insert(&l.tag);
            }
        }
    }
    groups.retain(|_, m| m.len() >= MIN_AFFECTED && m.len() < loops.len());
    let by_tag: BTreeMap<&Tag, &LoopEntry> = loops.iter().map(|l| (&l.tag, *l)).collect();
    let mut families: BTreeMap<(Kind, &'static str, Option<bool>), Vec<&Sign>> = BTreeMap::new();
    for s in signs {
        families.entry(family(s)).or_default().push(s);
    }
    let searched = families
        .values()
        .filter(|f| f.len() >= MIN_AFFECTED)
        .count()
        .max(1) as f64;
    let mut out = Vec::new();
    for ((kind, cause, _), mut left) in families {
        // Groups with the same members are one question.
        let (mut likely, mut all) = (BTreeSet::new(), BTreeSet::new());
        for ((scope, _), members) in &groups {
            all.insert(members);
            if plausible(kind, cause, *scope) {
                likely.insert(members);
            }
        }
        let unlikely = (all.len() - likely.len()).max(1) as f64;
        let likely = likely.len() as f64;
        while left.len() >= MIN_AFFECTED {
            let mut best: Option<Best<'_>> = None;
            let marked: BTreeSet<&Tag> = left.iter().map(|s| &s.tag).collect();
            for ((scope, name), members) in &groups {
                let (inside, others): (Vec<&Sign>, Vec<&Sign>) =
                    left.iter().copied().partition(|s| members.contains(&s.tag));
                let in_group = inside.len();
                let own_time = cause == "supply-limited";
                let here = if own_time {
                    inside
                } else {
                    of_one_form(agreeing(inside))
                };
                let affected: BTreeSet<&Tag> = here.iter().map(|s| &s.tag).collect();
                if affected.len() < MIN_AFFECTED {
                    continue;
                }
                // Weighted Bonferroni: scopes that can carry such a cause get most of the budget.
                let weight = if plausible(kind, cause, *scope) {
                    likely / PLAUSIBLE_SHARE
                } else {
                    unlikely / (1.0 - PLAUSIBLE_SHARE)
                };
                let together = if own_time {
                    1.0
                } else {
                    coincidence(&here, in_group, &others, record_us)
                        * same_size(&here, in_group, &others)
                };
                let share =
                    hypergeometric_tail(loops.len(), marked.len(), members.len(), affected.len());
                // Loops that agree have something in common; that it is this group must show in who belongs to it.
                if share > MAX_SHARE_P {
                    continue;
                }
                let rank = share * weight * searched;
                let p = rank * together;
                let better = match &best {
                    None => true,
                    // Of nearly equal explanations the smaller group.
                    Some(b) => {
                        rank.ln() < b.5.ln() - 1e-9
                            || (rank.ln() <= b.5.ln() + 1e-9
                                && (members.len(), locality(kind, cause, *scope))
                                    < (b.1, locality(kind, cause, b.2)))
                    }
                };
                if p < MAX_P && better {
                    best = Some((p, members.len(), *scope, name, here, rank));
                }
            }
            let Some((p, members, scope, name, here, _)) = best else {
                break;
            };
            let tags: BTreeSet<Tag> = here.iter().map(|s| s.tag.clone()).collect();
            let mut onsets: Vec<i64> = here.iter().map(|s| s.onset.0).collect();
            onsets.sort_unstable();
            let onset = UtcMicros(onsets[onsets.len() / 2]);
            let criticality = tags
                .iter()
                .filter_map(|t| by_tag.get(t))
                .map(|l| l.criticality)
                .max()
                .unwrap_or(Criticality::Indication);
            let score = here.iter().map(|s| s.score).fold(0.0, f64::max);
            let id = format!(
                "{}:{}:{}:{}",
                scope.as_str(),
                name,
                kind.as_str(),
                onset.date_string()
            );
            let what = crate::words::kind_words(kind, (!cause.is_empty()).then_some(cause));
            let summary = format!(
                "{} of the {} loops that share {} {} show the same: {}. Chance {} for all groups looked at.",
                crate::words::count_word(tags.len()),
                members,
                crate::words::scope_words(scope),
                name,
                what,
                crate::words::chance(p)
            );
            left.retain(|s| !tags.contains(&s.tag));
            out.push(CommonCause {
                id,
                scope,
                name: name.clone(),
                kind,
                affected: tags.len(),
                tags: tags.into_iter().collect(),
                members,
                p_value: p.min(1.0),
                score,
                onset,
                criticality: criticality.as_str(),
                summary,
            });
        }
    }
    out.sort_by(|a, b| b.score.total_cmp(&a.score).then_with(|| a.id.cmp(&b.id)));
    out
}

/// Without those that drift in another form than most: one cause moves its loops in one way.
fn of_one_form(signs: Vec<&Sign>) -> Vec<&Sign> {
    let count = |form| signs.iter().filter(|s| s.span == Some(form)).count();
    let span = count(true) > count(false);
    signs
        .into_iter()
        .filter(|s| s.span.is_none_or(|v| v == span))
        .collect()
}

/// The largest set whose onset intervals (with slack) share an instant.
fn agreeing(signs: Vec<&Sign>) -> Vec<&Sign> {
    let mut best: Vec<&Sign> = Vec::new();
    for s in &signs {
        let at = s.onset.0;
        let with: Vec<&Sign> = signs
            .iter()
            .copied()
            .filter(|o| {
                o.onset_low.0 - ONSET_SLACK_US <= at && at <= o.onset_high.0 + ONSET_SLACK_US
            })
            .collect();
        if with.len() > best.len() {
            best = with;
        }
    }
    best
}

#[cfg(test)]
mod tests {
    use super::*;

    // R 4.2 phyper / scipy 1.17 hypergeom.sf: 12 of 16 flagged where 300 of 20000 are, 1.8e-19;
    // 3 of 10 where 20 of 500 are, 0.0055; the lady tasting tea (Fisher 1935), 1/70.
    #[test]
    fn tails() {
        assert!((hypergeometric_tail(20000, 300, 16, 12) / 1.8e-19 - 1.0).abs() < 0.05);
        assert!((hypergeometric_tail(500, 20, 10, 3) - 0.0055).abs() < 5e-5);
        assert!((hypergeometric_tail(8, 4, 4, 4) - 1.0 / 70.0).abs() < 1e-12);
    }

    /// 40 loops, five to a card and all on one of two supplies; drift that began on `day` by `size` on the tags given.
    fn found(drift: &[(usize, i64, f64, Option<bool>)]) -> Vec<CommonCause> {
        let tag = |i: usize| Tag::new(&format!("FT-{i}")).unwrap();
        let range = ingest_model::Range {
            lrv: 0.0,
            urv: 10.0,
            transfer: ingest_model::Transfer::Linear,
        };
        let entries: Vec<LoopEntry> = (0..40)
            .map(|i| LoopEntry {
                input_card: Some(format!("IC-{}", i / 5)),
                supply: Some(format!("PS-{}", i / 38)),
                ..LoopEntry::new(tag(i), "bar", range)
            })
            .collect();
        let at = |day: i64| UtcMicros(day * 86_400_000_000);
        let signs: Vec<Sign> = drift
            .iter()
            .map(|&(i, day, size, span)| Sign {
                tag: tag(i),
                kind: Kind::AnalogDigitalDrift,
                cause: Some("offset"),
                onset: at(day),
                onset_low: at(day - 2),
                onset_high: at(day + 2),
                up: Some(true),
                size_pct: Some(size),
                span,
                score: 0.5,
            })
            .collect();
        search(&entries.iter().collect::<Vec<_>>(), &signs, 45.0 * 86.4e9)
    }

    const ALONE: [(usize, i64, f64, Option<bool>); 3] =
        [(8, 3, 0.3, None), (17, 40, 1.2, None), (23, 31, 0.4, None)];

    #[test]
    fn four_loops_of_a_card_that_drift_alike_are_one_cause_in_a_small_fleet() {
        let mut drift = vec![
            (10, 20, 0.60, None),
            (11, 21, 0.65, None),
            (12, 20, 0.55, Some(false)),
            (13, 22, 0.70, None),
        ];
        drift.extend(ALONE);
        let causes = found(&drift);
        assert_eq!(causes.len(), 1, "{causes:?}");
        assert_eq!((causes[0].name.as_str(), causes[0].affected), ("IC-2", 4));
    }

    #[test]
    fn loops_that_agree_without_belonging_together_are_none() {
        let mut drift = vec![
            (1, 20, 0.60, None),
            (11, 21, 0.65, None),
            (21, 20, 0.55, None),
            (31, 22, 0.70, None),
        ];
        drift.extend(ALONE);
        assert!(found(&drift).is_empty());
    }

    #[test]
    fn what_drifts_in_another_form_is_left_out() {
        let mut drift = vec![
            (10, 20, 0.60, Some(true)),
            (11, 21, 0.65, Some(true)),
            (12, 20, 0.62, Some(false)),
        ];
        drift.extend(ALONE);
        assert!(found(&drift).is_empty());
    }
}
