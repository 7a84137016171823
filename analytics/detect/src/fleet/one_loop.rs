//! Pass 1: what a loop's own detectors say, in the order in which one may hide from another.

use super::{Fleet, LoopResult, NO_READINGS, Params};
use crate::context::Context;
use crate::finding::{Explained, Kind};
use crate::history::{Draft, LoopRecord, Window};
use crate::limits::Limits;
use crate::skip::{self, Work, windows_of, windows_on};
use crate::{drift, errors, hart_only, noise, rails, silence, status, stuck, unjudged, words};
use ingest_model::{LoopEntry, Tag, UtcMicros};

/// Pass 1 with what work hides: a loop with announcements is judged once more as if there were none.
pub(super) fn loop_and_work(
    l: &LoopRecord<'_>,
    ctx: &Context,
    fleet: &Fleet<'_>,
    params: &Params,
    limits: &Limits,
) -> LoopResult {
    let mut out = one_loop(l, ctx, fleet, params, limits);
    let Some((first, last)) = l.blocks.first().zip(l.blocks.last()) else {
        return out;
    };
    let mine: Vec<&Work> = fleet
        .work
        .iter()
        .filter(|w| w.tag.as_ref().is_none_or(|t| *t == l.entry.tag))
        .filter(|w| w.from.0 <= last.last_row && first.first_row <= w.to.0)
        .collect();
    if !mine.is_empty() {
        let unannounced = Fleet {
            loops: vec![],
            work: vec![],
            ..*fleet
        };
        let without = one_loop(l, ctx, &unannounced, params, limits);
        out.explained = skip::explained(&without.drafts, &out.drafts, &mine, fleet.to)
            .into_iter()
            .map(|(d, from, to)| explained(l.entry, d, from, to))
            .collect();
    }
    out
}

pub(super) fn one_loop(
    l: &LoopRecord<'_>,
    ctx: &Context,
    fleet: &Fleet<'_>,
    params: &Params,
    limits: &Limits,
) -> LoopResult {
    let mut out = LoopResult::default();
    let to = fleet.to;
    if l.blocks.is_empty() {
        out.not_judged.push(("all", NO_READINGS.to_owned()));
        return out;
    }
    let short = unjudged::by_extent(l);
    let nothing = short.iter().any(|(what, _)| *what == "all");
    out.not_judged
        .extend(short.into_iter().map(|(what, why)| (what, why.to_owned())));
    if nothing {
        return out;
    }
    if !l.entry.confirmed {
        out.not_judged
            .push(("analog-digital-drift", "range not confirmed".to_owned()));
    }
    let work = windows_on(&l.entry.tag, &fleet.work);
    out.drafts.extend(silence::detect_at(l, ctx, to, limits));
    out.drafts.extend(rails::detect_at(l, to, limits));
    let lost = windows_of(&out.drafts, &[Kind::NoReply, Kind::CurrentOutOfRange], to);
    let rail_windows = windows_of(&out.drafts, &[Kind::CurrentOutOfRange], to);
    let mut skip = work.clone();
    skip.extend(&rail_windows);
    out.drafts
        .extend(stuck::detect_at(l, ctx, to, &skip, limits));
    if hart_only::applies(l) {
        out.drafts.extend(hart_only::fixed_current(l, to, &skip));
        out.not_judged.push(hart_only::not_judged());
    }
    let held = windows_of(&out.drafts, &[Kind::StuckValue, Kind::FixedCurrent], to);
    let said = status::detect_at(l, to, &rail_windows, &work, &params.status, limits);
    out.drafts.extend(said);
    let mut no_drift = work.clone();
    no_drift.extend(lost.iter().chain(&held));
    if l.entry.confirmed {
        let o = drift::detect_at(l, ctx, to, &no_drift, limits);
        out.drafts.extend(o.drafts);
        out.hours = o
            .hours
            .as_ref()
            .and_then(|h| drift::shared::Residuals::of(l.entry, h));
        if let Some(d) = drift::scaling::host_scale(l) {
            out.drafts.push(d);
        }
        if let Some(why) = o.not_judged {
            out.not_judged
                .push(("analog-digital-drift", why.to_owned()));
        }
    }
    // A current at its ceiling stands still without being stuck; where it is met first is dated to half a day at best.
    const BEFORE_US: i64 = 15 * 3_600_000_000;
    let ceiling: Vec<Window> = windows_of(
        &out.drafts
            .iter()
            .filter(|d| d.cause == Some("supply-limited"))
            .cloned()
            .collect::<Vec<_>>(),
        &[Kind::AnalogDigitalDrift],
        to,
    );
    out.drafts.retain(|d| {
        d.kind != Kind::StuckValue
            || d.signal != Some(crate::Signal::Analog)
            || !ceiling
                .iter()
                .any(|w| w.from - BEFORE_US <= d.onset.0 && d.onset.0 <= w.to)
    });
    fold_into_episodes(&mut out.drafts);
    let mut no_errors = work.clone();
    no_errors.extend(windows_of(
        &out.drafts,
        &[Kind::NoReply, Kind::Restarts],
        to,
    ));
    out.drafts
        .extend(errors::detect_at(l, to, &no_errors, limits));
    out.cells = errors::cells(
        l,
        &windows_of(&out.drafts, &[Kind::NoReply, Kind::Restarts], to),
    );
    let quiet = noise::detect_at(l, ctx, to, &no_drift, limits);
    // Episodes, a supply at its ceiling and chattering contacts change the scatter themselves.
    let explained = out.drafts.iter().any(|d| {
        d.kind == Kind::AnalogDigitalDrift
            && matches!(d.cause, Some("supply-limited" | "scaling" | "intermittent"))
    });
    if !explained {
        out.drafts.extend(quiet.draft);
    }
    if let Some(why) = quiet.not_judged {
        out.not_judged.push(("noise-change", why.to_owned()));
    }
    never_moved(l, &mut out);
    // What announced work explains is no finding.
    out.drafts
        .retain(|d| announced(fleet, &l.entry.tag, d).is_none());
    out
}

/// An episode that pulls the current down at the bottom of the range passes a level of NE 43 for a while: the same
/// event, not another fault. One that lasts, or that began before the episodes, stands.
fn fold_into_episodes(drafts: &mut Vec<Draft>) {
    const BRIEF_US: i64 = 6 * 3_600_000_000;
    let episodes: Vec<(i64, f64)> = drafts
        .iter()
        .filter(|d| d.cause == Some("intermittent"))
        .filter_map(|d| match d.evidence.get("episode_pct") {
            Some(crate::Evidence::Number(size)) => Some((d.onset_low.0, *size)),
            _ => None,
        })
        .collect();
    drafts.retain(|d| {
        let brief = d.ended.is_some_and(|e| e.0 - d.onset.0 <= BRIEF_US);
        let low = d.cause.is_some_and(|c| c.ends_with("-low"));
        !(d.kind == Kind::CurrentOutOfRange
            && brief
            && episodes
                .iter()
                .any(|(onset, size)| *onset <= d.onset.0 && (*size < 0.0) == low))
    });
}

/// A loop that never moved gives no evidence: its silence is no health.
fn never_moved(l: &LoopRecord<'_>, out: &mut LoopResult) {
    if l.entry.multidrop || l.blocks.len() < 24 {
        return;
    }
    let range = |get: fn(&crate::block::HourBlock) -> &crate::block::Moments| {
        let lo = l
            .blocks
            .iter()
            .map(|b| get(b).min)
            .fold(f64::INFINITY, f64::min);
        let hi = l
            .blocks
            .iter()
            .map(|b| get(b).max)
            .fold(f64::NEG_INFINITY, f64::max);
        if hi > lo { hi - lo } else { 0.0 }
    };
    let (d, m) = (range(|b| &b.d), range(|b| &b.m));
    if d.max(m) < 0.2 {
        out.not_judged
            .push(("stuck-value", "never moved".to_owned()));
    }
}

/// The work within which a draft began and ended (announced to about ten minutes).
pub(super) fn announced<'a>(fleet: &'a Fleet<'_>, tag: &Tag, d: &Draft) -> Option<&'a Work> {
    let end = d.ended.unwrap_or(fleet.to);
    fleet.work.iter().find(|w| {
        w.tag.as_ref().is_none_or(|t| t == tag)
            && w.from.0 - 600_000_000 <= d.onset.0
            && end.0 <= w.to.0 + 600_000_000
    })
}

pub(super) fn explained(
    l: &LoopEntry,
    d: &Draft,
    work_from: UtcMicros,
    work_to: UtcMicros,
) -> Explained {
    Explained {
        tag: l.tag.clone(),
        kind: d.kind,
        cause: d.cause,
        onset: d.onset,
        ended: d.ended,
        summary: words::summary(d, l),
        work_from,
        work_to,
    }
}
