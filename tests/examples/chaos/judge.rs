//! The stored rows, each value judged by itself, and the gaps between rows of undisturbed gateways.

use crate::world::{CYCLE_S, World, base, seconds};
use anyhow::Context;
use ingest_model::UtcMicros;
use serde_json::Value;
use std::net::SocketAddr;
use std::time::Duration;

/// An answer that is taken may be so old: time-out, and the repeats of a delayed response.
const OLDEST_S: f64 = 8.0;

pub(crate) fn get(address: SocketAddr, path: &str) -> anyhow::Result<String> {
    let config = ureq::Agent::config_builder().timeout_global(Some(Duration::from_secs(60)));
    let agent: ureq::Agent = config.build().into();
    let mut answer = agent.get(format!("http://{address}{path}")).call()?;
    let body = answer.body_mut().with_config().limit(1 << 30);
    Ok(body.read_to_string()?)
}

pub(crate) fn json(address: SocketAddr, path: &str) -> anyhow::Result<Value> {
    Ok(serde_json::from_str(&get(address, path)?)?)
}

/// What the stored rows say.
#[derive(Default)]
pub(crate) struct Verdict {
    pub(crate) rows: u64,
    pub(crate) values: u64,
    pub(crate) wrong: Vec<String>,
    pub(crate) oldest_s: f64,
    /// Gaps between rows of undisturbed gateways before and after the hostile ones came, s.
    pub(crate) gaps: [Vec<f64>; 2],
}

pub(crate) fn judge(
    at: SocketAddr,
    world: &World,
    came: Option<UtcMicros>,
) -> anyhow::Result<Verdict> {
    let mut v = Verdict::default();
    let mut after = String::new();
    loop {
        let page = json(at, &format!("/api/v1/loops?limit=500{after}"))?;
        for l in page["loops"].as_array().context("loops")? {
            let tag = l["tag"].as_str().context("tag")?;
            let id = l["device_id"].as_str().unwrap_or("0");
            let id = u32::from_str_radix(id.trim_start_matches("0x"), 16)?;
            let gateway = l["gateway"].as_str().unwrap_or_default();
            let calm =
                !world.mangled.contains(gateway) && world.swapped.as_deref() != Some(gateway);
            judge_loop(at, tag, id, calm, came, &mut v)?;
        }
        match page["next"].as_str() {
            Some(next) => after = format!("&after={}", encoded(next)),
            None => return Ok(v),
        }
    }
}

fn encoded(tag: &str) -> String {
    tag.bytes().map(|b| format!("%{b:02X}")).collect()
}

fn judge_loop(
    at: SocketAddr,
    tag: &str,
    id: u32,
    calm: bool,
    came: Option<UtcMicros>,
    v: &mut Verdict,
) -> anyhow::Result<()> {
    let path = format!("/api/v1/loops/{}/readings?points=1000000", encoded(tag));
    let answer = json(at, &path)?;
    let columns = &answer["columns"];
    let column = |name: &str| columns[name].as_array().cloned().unwrap_or_default();
    let (pv, ma) = (column("pv"), column("reported_ma"));
    let mut last: Option<i64> = None;
    for (n, time) in column("time").iter().enumerate() {
        let time = UtcMicros::parse_rfc3339(time.as_str().unwrap_or_default())?;
        v.rows += 1;
        if let Some(before) = last.replace(time.0)
            && calm
        {
            let part = usize::from(came.is_some_and(|c| c <= time));
            v.gaps[part].push((time.0 - before) as f64 / 1e6);
        }
        // From 4.3 ms (single precision at 60,000) before to OLDEST_S after.
        let mut check = |name: &str, told: f64| {
            let age = (seconds(time) - told + 0.05).rem_euclid(CYCLE_S) - 0.05;
            v.values += 1;
            if !(0.0..=CYCLE_S).contains(&told) || age > OLDEST_S {
                let text = format!("{tag} {} {name}: {told} of {id:06X}", time.to_rfc3339());
                v.wrong.push(text);
            } else {
                v.oldest_s = v.oldest_s.max(age);
            }
        };
        if let Some(pv) = pv.get(n).and_then(Value::as_f64) {
            check("pv", pv - base(id));
        }
        if let Some(ma) = ma.get(n).and_then(Value::as_f64) {
            check("reported_ma", (ma - 4.0) * 60.0);
        }
    }
    Ok(())
}
