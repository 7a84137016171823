//! Common causes: one kind of finding enriched in what loops share.
//!
//! Hypergeometric upper tail of the affected among a group's members, given the fleet (Fisher 1935), over the likelihood
//! ratio of their likeness ([`alike`]), times the number of groups looked at (weighted Bonferroni: the families searched
//! share the budget, in each the scopes, in each scope its groups). The best group is taken, its members removed, and the
//! search repeated; of groups that explain the same loops the smaller stands. Likeness alone makes no group: belonging to
//! it must be evidence by itself, and decides between groups.
//!
//! A ceiling that falls meets each loop at its own peaks: there likeness may count, or nothing of it may show.

mod alike;
mod spread;
mod tail;

use self::spread::{locality, plausible};
pub use self::tail::hypergeometric_tail;
use crate::drift::{cause, ceiling};
use crate::finding::{AttentionRow, CommonCause, Evidence, Finding, Kind};
use ingest_model::{Criticality, LoopEntry, Scope, Tag, UtcMicros};
use std::collections::{BTreeMap, BTreeSet, HashMap};

/// Adjusted chance below which a group is a cause, and the affected members it needs.
pub const MAX_P: f64 = 0.005;
pub const MIN_AFFECTED: usize = 3;
/// Chance, before any adjustment, below which belonging to the group must be evidence by itself.
pub const MAX_SHARE_P: f64 = 0.05;
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
    /// How fast a ceiling falls, mA a day.
    pub falls_ma_per_day: Option<f64>,
    /// Log likelihood ratio of span over offset by its own record.
    pub span_log_ratio: Option<f64>,
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
                falls_ma_per_day: number(f, ceiling::FALLS),
                span_log_ratio: number(f, cause::EVIDENCE)
                    .filter(|_| matches!(f.cause, Some("offset" | "span"))),
                score: r.score,
            })
        })
        .collect()
}

fn number(f: &Finding, name: &str) -> Option<f64> {
    match f.evidence.get(name) {
        Some(Evidence::Number(v)) => Some(*v),
        _ => None,
    }
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

/// Share of the error budget that plausible scopes get.
const PLAUSIBLE_SHARE: f64 = 0.97;

/// A group that may be the cause.
struct Candidate<'a> {
    /// Adjusted chance, and what explanations are ranked by: the adjusted chance of belonging alone, as a logarithm.
    p: f64,
    ln_rank: f64,
    plausible: bool,
    members: usize,
    scope: Scope,
    name: &'a String,
    here: Vec<&'a Sign>,
}

impl Candidate<'_> {
    /// Of nearly equal explanations the smaller group.
    fn before(&self, o: &Self, kind: Kind, cause: &str) -> bool {
        let size = |c: &Self| (c.members, locality(kind, cause, c.scope));
        self.ln_rank < o.ln_rank - 1e-9
            || (self.ln_rank <= o.ln_rank + 1e-9 && size(self) < size(o))
    }

    fn explains(&self, o: &Self) -> bool {
        o.here
            .iter()
            .all(|s| self.here.iter().any(|m| m.tag == s.tag))
    }
}

type Groups<'a> = BTreeMap<(Scope, String), BTreeSet<&'a Tag>>;

/// What each group is charged for the number of groups that are looked at.
struct Charges {
    /// For the chance: scopes share the budget, and in each its groups.
    by_scope: BTreeMap<Scope, f64>,
    /// For the choice between groups: all the likely ones, and all others; groups with the same members are one question.
    likely: f64,
    unlikely: f64,
}

/// By scope its distinct sets of members, numbered over all scopes.
type Distinct = BTreeMap<Scope, BTreeSet<usize>>;

fn distinct(groups: &Groups<'_>) -> Distinct {
    let mut numbers: HashMap<&BTreeSet<&Tag>, usize> = HashMap::new();
    let mut out = Distinct::new();
    for ((scope, _), members) in groups {
        let next = numbers.len();
        let number = *numbers.entry(members).or_insert(next);
        out.entry(*scope).or_default().insert(number);
    }
    out
}

impl Charges {
    fn of(members: &Distinct, kind: Kind, cause: &str) -> Self {
        let scopes = |wanted: bool| {
            let of = |s: &&Scope| plausible(kind, cause, **s) == wanted;
            members.keys().filter(of).count().max(1) as f64
        };
        let share = [
            scopes(false) / (1.0 - PLAUSIBLE_SHARE),
            scopes(true) / PLAUSIBLE_SHARE,
        ];
        let distinct = |only_likely: bool| {
            members
                .iter()
                .filter(|(s, _)| !only_likely || plausible(kind, cause, **s))
                .flat_map(|(_, m)| m)
                .collect::<BTreeSet<_>>()
                .len()
        };
        let (all, likely) = (distinct(false), distinct(true));
        Self {
            by_scope: members
                .iter()
                .map(|(s, m)| {
                    let charge = share[usize::from(plausible(kind, cause, *s))];
                    (*s, charge * m.len() as f64)
                })
                .collect(),
            likely: likely as f64 / PLAUSIBLE_SHARE,
            unlikely: (all - likely).max(1) as f64 / (1.0 - PLAUSIBLE_SHARE),
        }
    }
}

/// Groups to which enough of the signs' loops belong.
fn touched<'a>(
    groups: &'a Groups<'_>,
    signs: &[&Sign],
    by_tag: &BTreeMap<&Tag, &LoopEntry>,
) -> impl Iterator<Item = (&'a (Scope, String), &'a BTreeSet<&'a Tag>)> {
    let mut counts: BTreeMap<(Scope, String), usize> = BTreeMap::new();
    for l in signs.iter().filter_map(|s| by_tag.get(&s.tag)) {
        for scope in Scope::ALL {
            if let Some(name) = l.member_of(scope) {
                *counts.entry((scope, name)).or_default() += 1;
            }
        }
    }
    let enough = counts.into_iter().filter(|(_, n)| *n >= MIN_AFFECTED);
    enough.filter_map(|(key, _)| groups.get_key_value(&key))
}

/// The best explanation of what is left of a family.
fn best_group<'a>(
    groups: &'a Groups<'_>,
    by_tag: &BTreeMap<&Tag, &LoopEntry>,
    charges: &Charges,
    left: &[&'a Sign],
    loops: usize,
    families: f64,
    record_us: f64,
) -> Option<Candidate<'a>> {
    let first = left.first()?;
    let (kind, cause, _) = family(first);
    let mut found: Vec<Candidate<'a>> = Vec::new();
    for ((scope, name), members) in touched(groups, left, by_tag) {
        let (inside, others): (Vec<&Sign>, Vec<&Sign>) =
            left.iter().copied().partition(|s| members.contains(&s.tag));
        if inside.len() < MIN_AFFECTED {
            continue;
        }
        let share = |k: usize| hypergeometric_tail(loops, left.len(), members.len(), k);
        // That it is this group must show in who belongs to it; fewer of its loops never show it better.
        if share(inside.len()) > MAX_SHARE_P {
            continue;
        }
        let ln_share = |k: usize| share(k).ln();
        let (here, ln_alike) =
            alike::most_alike(&inside, &others, record_us / 1e6, MIN_AFFECTED, &ln_share);
        let belongs = share(here.len());
        let charge = charges
            .by_scope
            .get(scope)
            .copied()
            .unwrap_or(f64::INFINITY);
        let p = (belongs.ln() - ln_alike + (charge * families).ln()).exp();
        if belongs > MAX_SHARE_P || !(p < MAX_P) {
            continue;
        }
        let plausible = plausible(kind, cause, *scope);
        let looked_at = if plausible {
            charges.likely
        } else {
            charges.unlikely
        };
        found.push(Candidate {
            p,
            ln_rank: (belongs * looked_at).ln(),
            plausible,
            members: members.len(),
            scope: *scope,
            name,
            here,
        });
    }
    let best = |among: &mut dyn Iterator<Item = usize>| {
        among.reduce(|a, b| {
            if found[b].before(&found[a], kind, cause) {
                b
            } else {
                a
            }
        })
    };
    let mut at = best(&mut (0..found.len()))?;
    if !found[at].plausible {
        // Where what carries such a cause explains the same loops, it is not looked for elsewhere.
        let same = |i: &usize| found[*i].plausible && found[*i].explains(&found[at]);
        at = best(&mut (0..found.len()).filter(same)).unwrap_or(at);
    }
    Some(found.swap_remove(at))
}

/// `record_us` is how long the record is that the signs come from.
pub fn search(loops: &[&LoopEntry], signs: &[Sign], record_us: f64) -> Vec<CommonCause> {
    let mut groups: Groups<'_> = BTreeMap::new();
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
        let of = families.entry(family(s)).or_default();
        // A loop is one finding, its weightiest.
        if !of.iter().any(|o| o.tag == s.tag) {
            of.push(s);
        }
    }
    families.retain(|_, f| f.len() >= MIN_AFFECTED);
    let searched = families.len().max(1) as f64;
    let mut out = Vec::new();
    let distinct = distinct(&groups);
    for ((kind, cause, _), mut left) in families {
        let charges = Charges::of(&distinct, kind, cause);
        while let Some(c) = best_group(
            &groups,
            &by_tag,
            &charges,
            &left,
            loops.len(),
            searched,
            record_us,
        ) {
            let tags: BTreeSet<Tag> = c.here.iter().map(|s| s.tag.clone()).collect();
            left.retain(|s| !tags.contains(&s.tag));
            out.push(cause_of(c, tags, &by_tag, kind, cause));
        }
    }
    out.sort_by(|a, b| b.score.total_cmp(&a.score).then_with(|| a.id.cmp(&b.id)));
    out
}

fn cause_of(
    c: Candidate<'_>,
    tags: BTreeSet<Tag>,
    by_tag: &BTreeMap<&Tag, &LoopEntry>,
    kind: Kind,
    cause: &str,
) -> CommonCause {
    let mut onsets: Vec<i64> = c.here.iter().map(|s| s.onset.0).collect();
    onsets.sort_unstable();
    let onset = UtcMicros(onsets[onsets.len() / 2]);
    let criticality = tags
        .iter()
        .filter_map(|t| by_tag.get(t))
        .map(|l| l.criticality)
        .max()
        .unwrap_or(Criticality::Indication);
    let what = crate::words::kind_words(kind, (!cause.is_empty()).then_some(cause));
    let summary = format!(
        "{} of the {} loops that share {} {} show the same: {}. Chance {} for all groups looked at.",
        crate::words::count_word(tags.len()),
        c.members,
        crate::words::scope_words(c.scope),
        c.name,
        what,
        crate::words::chance(c.p)
    );
    CommonCause {
        id: format!(
            "{}:{}:{}:{}",
            c.scope.as_str(),
            c.name,
            kind.as_str(),
            onset.date_string()
        ),
        scope: c.scope,
        name: c.name.clone(),
        kind,
        affected: tags.len(),
        tags: tags.into_iter().collect(),
        members: c.members,
        p_value: c.p.min(1.0),
        score: c.here.iter().map(|s| s.score).fold(0.0, f64::max),
        onset,
        criticality: criticality.as_str(),
        summary,
    }
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
    fn found(drift: &[(usize, i64, f64, f64)]) -> Vec<CommonCause> {
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
                falls_ma_per_day: None,
                span_log_ratio: Some(span),
                score: 0.5,
            })
            .collect();
        search(&entries.iter().collect::<Vec<_>>(), &signs, 45.0 * 86.4e9)
    }

    const ALONE: [(usize, i64, f64, f64); 3] =
        [(8, 3, 0.3, 0.0), (17, 40, 1.2, 0.0), (23, 31, 0.4, 0.0)];

    #[test]
    fn four_loops_of_a_card_that_drift_alike_are_one_cause_in_a_small_fleet() {
        let mut drift = vec![
            (10, 20, 0.60, 0.0),
            (11, 21, 0.65, 0.0),
            (12, 20, 0.55, -4.0),
            (13, 22, 0.70, 0.0),
        ];
        drift.extend(ALONE);
        let causes = found(&drift);
        assert_eq!(causes.len(), 1, "{causes:?}");
        assert_eq!((causes[0].name.as_str(), causes[0].affected), ("IC-2", 4));
    }

    #[test]
    fn loops_that_agree_without_belonging_together_are_none() {
        let mut drift = vec![
            (1, 20, 0.60, 0.0),
            (11, 21, 0.65, 0.0),
            (21, 20, 0.55, 0.0),
            (31, 22, 0.70, 0.0),
        ];
        drift.extend(ALONE);
        assert!(found(&drift).is_empty());
    }

    #[test]
    fn what_drifts_otherwise_is_left_out() {
        let mut drift = vec![
            (10, 20, 0.60, -4.0),
            (11, 21, 0.65, -4.0),
            (12, 20, 0.62, -4.0),
            (13, 33, 2.00, 4.0),
        ];
        drift.extend(ALONE);
        let causes = found(&drift);
        assert_eq!((causes.len(), causes[0].affected), (1, 3), "{causes:?}");
        // Three that have only their side in common are none.
        let mut drift = vec![(10, 9, 0.3, -4.0), (11, 21, 0.65, 4.0), (12, 33, 2.0, 4.0)];
        drift.extend(ALONE);
        assert!(found(&drift).is_empty());
    }
}
