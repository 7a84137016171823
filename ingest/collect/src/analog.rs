//! Analog inputs over Modbus TCP: reads registers, keeps the newest current of each loop with its own instant.

use crate::config::{AnalogConfig, AnalogPoint, RawFormat, Table};
use ingest_model::{Tag, UtcMicros};
use std::collections::HashMap;
use std::sync::{PoisonError, RwLock};
use std::time::Duration;
use tokio::net::TcpStream;
use tokio::time::{Instant, MissedTickBehavior, timeout};
use tokio_modbus::client::{Context, Reader, tcp};
use tokio_modbus::prelude::SlaveContext;
use tokio_modbus::slave::Slave;
use tokio_util::sync::CancellationToken;

/// The newest analog current of each loop.
#[derive(Debug, Default)]
pub struct AnalogTable(RwLock<HashMap<Tag, (f64, UtcMicros)>>);

impl AnalogTable {
    /// mA and sample instant.
    pub fn latest(&self, tag: &Tag) -> Option<(f64, UtcMicros)> {
        self.0
            .read()
            .unwrap_or_else(PoisonError::into_inner)
            .get(tag)
            .copied()
    }

    /// Keeps a sample; what is no finite number is not kept.
    pub fn put(&self, tag: &Tag, ma: f64, at: UtcMicros) {
        if ma.is_finite() {
            self.0
                .write()
                .unwrap_or_else(PoisonError::into_inner)
                .insert(tag.clone(), (ma, at));
        }
    }
}

/// Registers of one table that are read with one request.
#[derive(Debug, PartialEq)]
struct Block {
    unit_id: u8,
    table: Table,
    address: u16,
    count: u16,
    /// Which points, by number.
    points: Vec<usize>,
}

/// Most registers a read may ask for (Modbus application protocol, 125).
const MAX_REGISTERS: u32 = 125;
/// Unused registers that are read along rather than starting a new request.
const MAX_HOLE: u32 = 8;

fn blocks(points: &[AnalogPoint]) -> Vec<Block> {
    let mut order: Vec<(usize, &AnalogPoint)> = points.iter().enumerate().collect();
    order.sort_by_key(|(_, p)| (p.unit_id, p.table, p.address));
    let mut out: Vec<Block> = Vec::new();
    for (n, p) in order {
        let (start, end) = (
            u32::from(p.address),
            u32::from(p.address) + u32::from(p.format.registers()),
        );
        if let Some(b) = out
            .last_mut()
            .filter(|b| b.unit_id == p.unit_id && b.table == p.table)
        {
            let (first, last) = (
                u32::from(b.address),
                u32::from(b.address) + u32::from(b.count),
            );
            if start <= last + MAX_HOLE && end - first <= MAX_REGISTERS {
                b.count = (end.max(last) - first) as u16;
                b.points.push(n);
                continue;
            }
        }
        out.push(Block {
            unit_id: p.unit_id,
            table: p.table,
            address: p.address,
            count: p.format.registers(),
            points: vec![n],
        });
    }
    out
}

fn raw_value(words: &[u16], format: RawFormat) -> Option<f64> {
    let wide = || match words {
        [hi, lo, ..] => Some(u32::from(*hi) << 16 | u32::from(*lo)),
        _ => None,
    };
    match format {
        RawFormat::U16 => words.first().map(|w| f64::from(*w)),
        RawFormat::I16 => words.first().map(|w| f64::from(*w as i16)),
        RawFormat::U32 => wide().map(f64::from),
        RawFormat::F32 => wide().map(|w| f64::from(f32::from_bits(w))),
    }
}

#[derive(Debug, thiserror::Error)]
enum AnalogError {
    #[error("no connection: {0}")]
    Connect(std::io::Error),
    #[error("no answer within the time-out")]
    Timeout,
    #[error("reading {count} registers at {address} of unit {unit_id}: {why}")]
    Read {
        unit_id: u8,
        address: u16,
        count: u16,
        why: String,
    },
}

/// A connection that can only read: the context inside is not handed out.
struct Connection(Context);

impl Connection {
    async fn open(address: &str, limit: Duration) -> Result<Self, AnalogError> {
        let stream = timeout(limit, TcpStream::connect(address))
            .await
            .map_err(|_| AnalogError::Timeout)?
            .map_err(AnalogError::Connect)?;
        let _ = stream.set_nodelay(true);
        Ok(Self(tcp::attach(stream)))
    }

    async fn read(&mut self, b: &Block, limit: Duration) -> Result<Vec<u16>, AnalogError> {
        self.0.set_slave(Slave(b.unit_id));
        let answer = match b.table {
            Table::Input => timeout(limit, self.0.read_input_registers(b.address, b.count)).await,
            Table::Holding => {
                timeout(limit, self.0.read_holding_registers(b.address, b.count)).await
            }
        };
        let failed = |why: String| AnalogError::Read {
            unit_id: b.unit_id,
            address: b.address,
            count: b.count,
            why,
        };
        answer
            .map_err(|_| AnalogError::Timeout)?
            .map_err(|e| failed(e.to_string()))?
            .map_err(|e| failed(e.to_string()))
    }
}

/// Reads all points every period until told to stop; reconnects with back-off from 1 s to 30 s.
pub(crate) async fn run(
    config: AnalogConfig,
    table: std::sync::Arc<AnalogTable>,
    wall: fn() -> UtcMicros,
    stop: CancellationToken,
) {
    let blocks = blocks(&config.points);
    let mut wait = Duration::from_secs(1);
    while !stop.is_cancelled() {
        let begun = Instant::now();
        let ended = tokio::select! {
            () = stop.cancelled() => return,
            e = poll(&config, &blocks, &table, wall) => e,
        };
        tracing::warn!(source = %config.name, address = %config.address, "analog input: {ended}");
        if begun.elapsed() > Duration::from_secs(60) {
            wait = Duration::from_secs(1);
        }
        let spread = wait.mul_f64(0.75 + 0.5 * fastrand::f64());
        tokio::select! {
            () = stop.cancelled() => return,
            () = tokio::time::sleep(spread) => {}
        }
        wait = (wait * 2).min(Duration::from_secs(30));
    }
}

/// Polls over one connection until it fails.
async fn poll(
    config: &AnalogConfig,
    blocks: &[Block],
    table: &AnalogTable,
    wall: fn() -> UtcMicros,
) -> AnalogError {
    let mut connection = match Connection::open(&config.address, config.timeout).await {
        Ok(c) => c,
        Err(e) => return e,
    };
    let mut ticks = tokio::time::interval(config.poll_every.max(Duration::from_millis(10)));
    ticks.set_missed_tick_behavior(MissedTickBehavior::Skip);
    loop {
        ticks.tick().await;
        for b in blocks {
            let (before, begun) = (wall(), Instant::now());
            let words = match connection.read(b, config.timeout).await {
                Ok(w) => w,
                Err(e) => return e,
            };
            // The sample lies between request and answer; the middle is the best guess.
            let at =
                UtcMicros(before.0 + i64::try_from(begun.elapsed().as_micros() / 2).unwrap_or(0));
            for n in &b.points {
                let Some(p) = config.points.get(*n) else {
                    continue;
                };
                let from = usize::from(p.address - b.address);
                if let Some(raw) = words.get(from..).and_then(|w| raw_value(w, p.format)) {
                    table.put(&p.tag, p.to_ma(raw), at);
                }
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn point(unit_id: u8, table: Table, address: u16) -> AnalogPoint {
        let tag = Tag::new(&format!("T-{unit_id}-{address}")).unwrap();
        AnalogPoint::new(tag, unit_id, table, address, 0.0, 32_000.0)
    }

    #[test]
    fn neighbours_share_a_request() {
        let mut p: Vec<_> = (0..200).rev().map(|a| point(1, Table::Input, a)).collect();
        p.push(point(1, Table::Holding, 0));
        p.push(point(2, Table::Input, 65_535));
        let b = blocks(&p);
        let sizes: Vec<_> = b.iter().map(|b| (b.unit_id, b.address, b.count)).collect();
        assert_eq!(
            sizes,
            [(1, 0, 125), (1, 125, 75), (1, 0, 1), (2, 65_535, 1)]
        );
        assert_eq!(b.iter().map(|b| b.points.len()).sum::<usize>(), 202);
        // A wide gap starts a new request.
        assert_eq!(
            blocks(&[point(1, Table::Input, 0), point(1, Table::Input, 40)]).len(),
            2
        );
    }

    #[test]
    fn raw_to_ma() {
        let p = point(1, Table::Input, 0);
        assert_eq!(p.to_ma(0.0), 4.0);
        assert_eq!(p.to_ma(16_000.0), 12.0);
        assert_eq!(raw_value(&[0xFFFF], RawFormat::I16), Some(-1.0));
        assert_eq!(raw_value(&[0x4140, 0], RawFormat::F32), Some(12.0));
        assert_eq!(raw_value(&[1, 2], RawFormat::U32), Some(65_538.0));
        assert_eq!(raw_value(&[1], RawFormat::F32), None);
        let t = AnalogTable::default();
        t.put(&p.tag, f64::NAN, UtcMicros(1));
        assert_eq!(t.latest(&p.tag), None);
    }
}
