//! Writes a site folder: register, readings as one Parquet file a day, announced work, and the truth beside it.

use crate::absent::Absent;
use crate::device::{Exchange, seconds};
use crate::fleet::{Fleet, SimLoop};
use crate::noise::{mix, unit};
use crate::register::{write_register, write_work};
use crate::truth::Truth;
use crate::{FleetError, FleetOptions};
use arrow_array::{
    Array, ArrayRef, Float32Array, RecordBatch, TimestampMillisecondArray, UInt8Array, UInt16Array,
    UInt32Array, builder,
};
use arrow_schema::{ArrowError, Field, Schema};
use ingest_model::UtcMicros;
use ingest_model::instant::MICROS_PER_DAY;
use parquet::arrow::ArrowWriter;
use parquet::basic::{Compression, Encoding, ZstdLevel};
use parquet::file::properties::WriterProperties;
use parquet::schema::types::ColumnPath;
use std::fs::File;
use std::path::Path;
use std::sync::Arc;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::sync::mpsc;

/// Jitter of the poll's end, seconds.
const JITTER_S: f64 = 1.2;
/// The input is sampled at most so long before the exchange completes, seconds.
const SAMPLE_BEFORE_S: f64 = 30.0;

/// Of so many rows one comes late, in a file of its own.
const LATE_ONE_IN: u64 = 2_000;
/// Of so many one was delivered before with other values; the later file has it right.
const CORRECTED_ONE_IN: u64 = 2_000;
/// Of so many one comes a second time under a tag that no register knows.
const UNKNOWN_ONE_IN: u64 = 50_000;

/// What was written.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(crate) struct Written {
    pub rows: u64,
    /// Of those, rows whose time and tag a later file has once more.
    pub repeated: u64,
    /// Of those, rows under a tag that is not in the register.
    pub unknown: u64,
}

impl std::ops::AddAssign for Written {
    fn add_assign(&mut self, day: Self) {
        self.rows += day.rows;
        self.repeated += day.repeated;
        self.unknown += day.unknown;
    }
}

/// When loops are polled.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Schedule {
    pub from_s: f64,
    pub end_s: f64,
    pub period_s: f64,
}

impl Schedule {
    pub(crate) fn new(fleet: &Fleet, opt: &FleetOptions) -> Self {
        Self {
            from_s: fleet.from_s,
            end_s: fleet.end_s,
            period_s: opt.period_s,
        }
    }

    /// When poll `n` of a loop completes; whole milliseconds.
    fn time(&self, l: &SimLoop, n: i64) -> UtcMicros {
        let offset = (self.period_s - 2.0 * JITTER_S) * unit(l.key ^ 0x91, 0);
        let at = self.from_s + offset + n as f64 * self.period_s + JITTER_S * unit(l.key ^ 0x92, n);
        UtcMicros((at * 1e3).ceil() as i64 * 1_000)
    }

    /// Times of a loop's polls from `from` up to `to`, both inside the history.
    pub(crate) fn polls(
        &self,
        l: &SimLoop,
        from_s: f64,
        to_s: f64,
    ) -> impl Iterator<Item = UtcMicros> {
        let (from_s, to_s) = (from_s.max(self.from_s), to_s.min(self.end_s));
        let first = (((from_s - self.from_s) / self.period_s).floor() as i64 - 1).max(0);
        (first..)
            .map(|n| self.time(l, n))
            .skip_while(move |t| seconds(*t) < from_s)
            .take_while(move |t| seconds(*t) < to_s)
    }
}

/// Exchange counters of a device in its gateway, before they wrap.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
struct Counters {
    exchanges: u64,
    errors: u64,
    /// The gateway was down since the last exchange.
    was_down: bool,
}

impl Counters {
    fn start(l: &SimLoop) -> Self {
        let exchanges = mix(l.key ^ 0xA1) % 65_536;
        Self {
            exchanges,
            errors: (exchanges as f64 * l.failing) as u64,
            was_down: false,
        }
    }

    /// Counts one exchange; a restarted gateway counts from zero again.
    fn count(&mut self, result: Exchange) {
        if self.was_down {
            *self = Self::default();
        }
        self.exchanges += 1;
        if result != Exchange::Good {
            self.errors += 1;
        }
    }

    fn wrapped(self) -> (u32, u32) {
        (
            (self.exchanges % 65_536) as u32,
            (self.errors % 65_536) as u32,
        )
    }
}

pub(crate) fn write_error(path: &Path, e: impl std::fmt::Display) -> FleetError {
    FleetError::Write {
        path: path.to_owned(),
        reason: e.to_string(),
    }
}

/// Writes `dir/site/loops.csv`, `dir/site/readings/YYYY-MM-DD.parquet`, `dir/site/work.csv` and `dir/truth.json`.
///
/// As from a real historian, a few rows come late (`YYYY-MM-DD_late.parquet`), a few were delivered before with other
/// values, and a few are under a tag that nobody knows; the truth counts them.
///
/// `progress` gets the share done, 0..1. Equal options write equal files.
///
/// # Errors
/// Options out of range, or a file that cannot be written.
pub fn write_site(
    dir: &Path,
    opt: &FleetOptions,
    progress: &mut dyn FnMut(f64),
) -> Result<Truth, FleetError> {
    let fleet = Fleet::build(opt)?;
    let site = dir.join("site");
    let readings = site.join("readings");
    std::fs::create_dir_all(&readings).map_err(|e| write_error(&readings, e))?;
    write_register(&fleet, &site.join("loops.csv"))?;
    write_work(&fleet, &site.join("work.csv"))?;
    let schedule = Schedule::new(&fleet, opt);
    let rows = write_days(&fleet, schedule, &readings, &opt.without, progress)?;
    let truth = Truth::of(&fleet, opt, schedule, rows);
    let path = dir.join("truth.json");
    let text = serde_json::to_string_pretty(&truth).map_err(|e| write_error(&path, e))?;
    std::fs::write(&path, text + "\n").map_err(|e| write_error(&path, e))?;
    Ok(truth)
}

/// RFC 3339 in whole seconds.
pub(crate) fn rfc3339(t_s: f64) -> String {
    UtcMicros(t_s.round() as i64 * 1_000_000).to_rfc3339()
}

fn write_days(
    fleet: &Fleet,
    schedule: Schedule,
    readings: &Path,
    without: &[Absent],
    progress: &mut dyn FnMut(f64),
) -> Result<Written, FleetError> {
    let days: Vec<i64> = days(schedule).collect();
    let counters = counters_at_day_starts(fleet, schedule, &days);
    let next = AtomicUsize::new(0);
    let workers = std::thread::available_parallelism()
        .map_or(2, usize::from)
        .min(days.len());
    let mut rows = Written::default();
    let mut result = Ok(());
    std::thread::scope(|scope| {
        let (tell, told) = mpsc::channel();
        for _ in 0..workers {
            let (tell, next, days, counters) = (tell.clone(), &next, &days, &counters);
            scope.spawn(move || {
                loop {
                    let n = next.fetch_add(1, Ordering::Relaxed);
                    let Some(&day) = days.get(n) else { return };
                    let start: Vec<Counters> = counters.iter().map(|c| c[n]).collect();
                    if tell
                        .send(write_day(fleet, schedule, readings, without, day, start))
                        .is_err()
                    {
                        return;
                    }
                }
            });
        }
        drop(tell);
        for (done, day) in told.iter().enumerate() {
            match day {
                Ok(n) => rows += n,
                Err(e) => {
                    next.store(usize::MAX / 2, Ordering::Relaxed);
                    result = Err(e);
                }
            }
            progress((done + 1) as f64 / days.len() as f64);
        }
    });
    result.map(|()| rows)
}

/// Where the history leaves each loop's counters: requests sent and answers received, both mod 2^16.
pub(crate) fn counters_at_end(fleet: &Fleet, opt: &FleetOptions) -> Vec<[u16; 2]> {
    let schedule = Schedule::new(fleet, opt);
    // The day after the last: what stands at its start is what the last one left.
    let days: Vec<i64> = days(schedule).chain([i64::MAX]).collect();
    counters_at_day_starts(fleet, schedule, &days)
        .iter()
        .map(|of_loop| {
            let c = of_loop.last().copied().unwrap_or_default();
            let answered = c.exchanges - c.errors;
            // A remainder of 2^16 fits.
            [(c.exchanges % 65_536) as u16, (answered % 65_536) as u16]
        })
        .collect()
}

fn days(schedule: Schedule) -> impl Iterator<Item = i64> {
    let first = UtcMicros((schedule.from_s * 1e6) as i64).day();
    let last = UtcMicros((schedule.end_s * 1e6) as i64 - 1).day();
    first..=last
}

/// Counters of each loop at the start of each day, so that days can be written in any order.
fn counters_at_day_starts(fleet: &Fleet, schedule: Schedule, days: &[i64]) -> Vec<Vec<Counters>> {
    let one = |l: &SimLoop| {
        let mut now = Counters::start(l);
        days.iter()
            .map(|&day| {
                let at_start = now;
                if day == i64::MAX {
                    return at_start;
                }
                let (from, to) = day_bounds_s(day);
                for t in schedule.polls(l, from, to) {
                    let t_s = seconds(t);
                    if fleet.gateway_down(l.gateway, t_s) {
                        now.was_down = true;
                    } else {
                        now.count(fleet.exchange(l, &l.faults, t_s));
                    }
                }
                at_start
            })
            .collect()
    };
    let half = fleet.loops.len().div_ceil(2);
    std::thread::scope(|scope| {
        let parts: Vec<_> = fleet
            .loops
            .chunks(half.max(1))
            .map(|part| scope.spawn(move || part.iter().map(one).collect::<Vec<_>>()))
            .collect();
        parts
            .into_iter()
            .flat_map(|p| p.join().unwrap_or_default())
            .collect()
    })
}

fn day_bounds_s(day: i64) -> (f64, f64) {
    let start = day as f64 * (MICROS_PER_DAY / 1_000_000) as f64;
    (start, start + 86_400.0)
}

#[derive(Default)]
struct Rows {
    time: Vec<i64>,
    tag: builder::StringBuilder,
    pv: Vec<Option<f32>>,
    sv: Vec<Option<f32>>,
    reported_ma: Vec<Option<f32>>,
    analog_ma: Vec<Option<f32>>,
    analog_time: Vec<Option<i64>>,
    response_code: Vec<Option<u8>>,
    device_status: Vec<Option<u8>>,
    extended_status: Vec<Option<u8>>,
    pv_status: Vec<Option<u8>>,
    exchanges: Vec<Option<u32>>,
    comm_errors: Vec<Option<u32>>,
    config_changes: Vec<Option<u16>>,
}

impl Rows {
    fn push(&mut self, fleet: &Fleet, l: &SimLoop, schedule: Schedule, t: UtcMicros, c: Counters) {
        self.push_as(l.tag(), fleet, l, schedule, t, c);
    }

    /// The last row as it was delivered first: values from elsewhere on the range.
    fn spoil_last(&mut self) {
        for value in [self.pv.last_mut(), self.analog_ma.last_mut()] {
            if let Some(Some(v)) = value {
                *v *= 1.02;
            }
        }
    }

    fn push_as(
        &mut self,
        tag: &str,
        fleet: &Fleet,
        l: &SimLoop,
        schedule: Schedule,
        t: UtcMicros,
        c: Counters,
    ) {
        let t_s = seconds(t);
        let t_ms = t.0 / 1_000;
        let result = fleet.exchange(l, &l.faults, t_s);
        let answer = (result == Exchange::Good).then(|| fleet.answer(l, &l.faults, t_s));
        let before = SAMPLE_BEFORE_S.min(schedule.period_s) * unit(l.key ^ 0x93, t_ms);
        let sampled_ms = t_ms - (before * 1e3) as i64;
        // The host stamps it by its own clock.
        let stamped_ms = sampled_ms + fleet.host_clock_error_ms(t_s);
        let (exchanges, errors) = c.wrapped();
        let spoke = result != Exchange::Silent;
        self.time.push(t_ms);
        self.tag.append_value(tag);
        self.pv.push(answer.map(|a| a.pv).filter(|v| !v.is_nan()));
        self.sv.push(answer.map(|a| a.sv));
        self.reported_ma.push(answer.map(|a| a.reported_ma));
        self.analog_ma.push(Some(
            fleet.analog_ma(l, &l.faults, sampled_ms as f64 / 1e3) as f32
        ));
        self.analog_time.push(Some(stamped_ms));
        self.response_code.push(match result {
            // Code 8: update failure, the data present.
            Exchange::Good if answer.is_some_and(|a| a.pv.is_nan()) => Some(8),
            Exchange::Good => Some(0),
            Exchange::Corrupt => Some(0x88),
            Exchange::Silent => None,
        });
        // Behind a communication error the second status byte is 0 and means nothing (HCF_SPEC-307).
        self.device_status
            .push(spoke.then(|| answer.map_or(0, |a| a.device_status)));
        // Revision 5 knows neither the extended status nor a status by variable.
        let newer = answer.filter(|_| l.universal >= 6);
        self.extended_status.push(newer.map(|a| a.extended_status));
        self.pv_status.push(newer.map(|a| a.pv_status));
        self.config_changes.push(newer.map(|a| a.config));
        self.exchanges.push(spoke.then_some(exchanges));
        self.comm_errors.push(spoke.then_some(errors));
    }

    /// The columns in the contract's order, but those that the file does without.
    fn batch(mut self, without: &[Absent]) -> Result<RecordBatch, ArrowError> {
        fn array<A: Array + 'static>(a: A) -> ArrayRef {
            Arc::new(a)
        }
        let time = |v: TimestampMillisecondArray| array(v.with_timezone("UTC"));
        let all = [
            ("time", time(self.time.into())),
            ("tag", array(self.tag.finish())),
            ("pv", array(Float32Array::from(self.pv))),
            ("sv", array(Float32Array::from(self.sv))),
            ("reported_ma", array(Float32Array::from(self.reported_ma))),
            ("analog_ma", array(Float32Array::from(self.analog_ma))),
            ("analog_time", time(self.analog_time.into())),
            ("response_code", array(UInt8Array::from(self.response_code))),
            ("device_status", array(UInt8Array::from(self.device_status))),
            (
                "extended_status",
                array(UInt8Array::from(self.extended_status)),
            ),
            ("pv_status", array(UInt8Array::from(self.pv_status))),
            ("exchanges", array(UInt32Array::from(self.exchanges))),
            ("comm_errors", array(UInt32Array::from(self.comm_errors))),
            (
                "config_changes",
                array(UInt16Array::from(self.config_changes)),
            ),
        ];
        let absent = |name: &str| without.iter().any(|a| a.columns().contains(&name));
        let (fields, arrays): (Vec<Field>, Vec<ArrayRef>) = all
            .into_iter()
            .filter(|(name, _)| !absent(name))
            .map(|(name, a)| {
                let needed = matches!(name, "time" | "tag");
                (Field::new(name, a.data_type().clone(), !needed), a)
            })
            .unzip();
        RecordBatch::try_new(Arc::new(Schema::new(fields)), arrays)
    }
}

fn properties() -> WriterProperties {
    let plain = |b: parquet::file::properties::WriterPropertiesBuilder, name: &str, e: Encoding| {
        let path = ColumnPath::from(name);
        b.set_column_dictionary_enabled(path.clone(), false)
            .set_column_encoding(path, e)
    };
    let mut b = WriterProperties::builder()
        .set_compression(Compression::ZSTD(ZstdLevel::try_new(3).unwrap_or_default()));
    for name in ["time", "analog_time", "exchanges", "comm_errors"] {
        b = plain(b, name, Encoding::DELTA_BINARY_PACKED);
    }
    for name in ["pv", "reported_ma", "analog_ma"] {
        b = plain(b, name, Encoding::BYTE_STREAM_SPLIT);
    }
    b.build()
}

fn write_day(
    fleet: &Fleet,
    schedule: Schedule,
    readings: &Path,
    without: &[Absent],
    day: i64,
    mut counters: Vec<Counters>,
) -> Result<Written, FleetError> {
    let name = UtcMicros::from_day(day).date_string();
    let (from, to) = day_bounds_s(day);
    let (mut rows, mut late) = (Rows::default(), Rows::default());
    let mut written = Written::default();
    for (l, counter) in fleet.loops.iter().zip(&mut counters) {
        for t in schedule.polls(l, from, to) {
            let t_s = seconds(t);
            if fleet.gateway_down(l.gateway, t_s) {
                counter.was_down = true;
                continue;
            }
            counter.count(fleet.exchange(l, &l.faults, t_s));
            let one_in = |salt: u64, n: u64| {
                mix(l.key ^ salt ^ (t.0 as u64).rotate_left(17)).is_multiple_of(n)
            };
            if one_in(0xB1, LATE_ONE_IN) {
                late.push(fleet, l, schedule, t, *counter);
                continue;
            }
            rows.push(fleet, l, schedule, t, *counter);
            if one_in(0xB2, CORRECTED_ONE_IN) {
                rows.spoil_last();
                late.push(fleet, l, schedule, t, *counter);
                written.repeated += 1;
            }
            if one_in(0xB3, UNKNOWN_ONE_IN) {
                let nobody = format!("X{}", l.tag());
                late.push_as(&nobody, fleet, l, schedule, t, *counter);
                written.unknown += 1;
            }
        }
    }
    for (rows, name) in [(rows, name.clone()), (late, name + "_late")] {
        written.rows += rows.time.len() as u64;
        write_rows(rows, without, &readings.join(name + ".parquet"))?;
    }
    Ok(written)
}

/// One file; none without rows.
fn write_rows(rows: Rows, without: &[Absent], path: &Path) -> Result<(), FleetError> {
    if rows.time.is_empty() {
        return Ok(());
    }
    let fail = |e: &dyn std::fmt::Display| write_error(path, e);
    let batch = rows.batch(without).map_err(|e| fail(&e))?;
    let file = File::create(path).map_err(|e| fail(&e))?;
    let mut w =
        ArrowWriter::try_new(file, batch.schema(), Some(properties())).map_err(|e| fail(&e))?;
    w.write(&batch).map_err(|e| fail(&e))?;
    w.close().map_err(|e| fail(&e))?;
    Ok(())
}
