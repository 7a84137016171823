//! Attention: probability x purpose x how soon it matters, every term visible.
//!
//! `score = real * purpose * soon * lasting`. `purpose` weighs the loop's criticality; `soon` grows with
//! what is lost of the measurement and with how near the tolerance is; `lasting` halves what has ended.

use crate::finding::{AttentionTerms, Finding, Kind, Ne107, Signal};
use ingest_model::{Criticality, UtcMicros};

/// Weights, configurable.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Weights {
    pub safety: f64,
    pub control: f64,
    pub indication: f64,
    pub ended: f64,
}

impl Default for Weights {
    fn default() -> Self {
        // A safety loop outranks the same fault on a control loop, and that one an indication (common practice).
        Self {
            safety: 1.0,
            control: 0.67,
            indication: 0.33,
            ended: 0.5,
        }
    }
}

pub fn terms(
    f: &Finding,
    criticality: Criticality,
    tolerance_pct: f64,
    to: UtcMicros,
    w: &Weights,
) -> AttentionTerms {
    AttentionTerms {
        real: f.confidence,
        purpose: match criticality {
            Criticality::Safety => w.safety,
            Criticality::Control => w.control,
            Criticality::Indication => w.indication,
        },
        soon: soon(f, tolerance_pct, to),
        lasting: if f.ended.is_some() && f.kind != Kind::ConfigurationChange {
            w.ended
        } else {
            1.0
        },
    }
}

pub fn score(t: &AttentionTerms) -> f64 {
    (t.real * t.purpose * t.soon * t.lasting).clamp(0.0, 1.0)
}

/// 0..1: how much of the measurement is lost, and how soon the rest will be.
fn soon(f: &Finding, tolerance_pct: f64, to: UtcMicros) -> f64 {
    match f.kind {
        Kind::AnalogDigitalDrift => {
            let worst = ["full_scale_pct", "zero_scale_pct", "episode_pct"]
                .iter()
                .filter_map(|k| match f.evidence.get(k) {
                    Some(crate::Evidence::Number(v)) => Some(v.abs()),
                    _ => None,
                })
                .fold(f.deviation_pct.unwrap_or(0.0).abs(), f64::max);
            let ratio = worst.max(if f.cause == Some("supply-limited") {
                6.0 * tolerance_pct
            } else {
                0.0
            }) / tolerance_pct;
            let size = if ratio < 1.0 {
                0.15 + 0.25 * ratio
            } else {
                (0.4 + 0.12 * (ratio - 1.0)).min(1.0)
            };
            let near = match f.reaches_tolerance_at {
                // Within a week counts like being there; fades over two months.
                Some(t) => 0.35 * (-(t.seconds_since(to) / 86400.0 - 7.0).max(0.0) / 30.0).exp(),
                None => 0.0,
            };
            size.max(near)
        }
        Kind::StuckValue => match f.signal {
            Some(Signal::Analog) => 0.95,
            Some(Signal::Both) => 0.9,
            _ => 0.6,
        },
        Kind::CurrentOutOfRange => {
            if f.cause.is_some_and(|c| c.starts_with("failure")) {
                1.0
            } else {
                0.7
            }
        }
        Kind::FixedCurrent => 0.9,
        Kind::NoReply => match f.evidence.get("current") {
            Some(crate::Evidence::Text(t)) if t == "gone" => 0.95,
            _ => 0.6,
        },
        Kind::RisingErrors => match f.evidence.get("failed_share_after") {
            Some(crate::Evidence::Number(s)) => (0.15 + 1.2 * s).min(0.6),
            _ => 0.25,
        },
        Kind::DeviceStatus => match f.ne107 {
            Some(Ne107::Failure) => 0.85,
            Some(Ne107::FunctionCheck) => 0.5,
            Some(Ne107::OutOfSpecification) => 0.45,
            _ => 0.35,
        },
        Kind::NoiseChange => 0.5,
        Kind::PeerDisagreement => 0.5,
        Kind::Restarts => 0.45,
        // Fixed current around it: somebody tested the loop and put it back (common practice). Without, nobody knows.
        Kind::ConfigurationChange => match f.evidence.get("fixed_current_min") {
            Some(crate::Evidence::Number(minutes)) if *minutes > 0.0 => 0.08,
            _ => 0.3,
        },
        Kind::StatusChatter => 0.3,
    }
}
