//! One device as the collector sees it: how it is reached, what it said about itself, and how answers become readings.

use crate::directory::{KnownLoop, LoopDirectory};
use ingest_hart::answer::{
    DynamicVariables, Identity, LoopConfiguration, OutputInformation, SubDeviceIdentity,
};
use ingest_hart::plan::Poll;
use ingest_hart::status::{EXTENDED_STATUS_MASK, device_bit};
use ingest_hart::unit_code::{NOT_USED, unit_text};
use ingest_hart::{ReadCommand, Request, Status, UniqueAddress};
use ingest_model::{DeviceKey, LoopEntry, Range, Reading, Tag, Transfer, UtcMicros, unit};

/// What a device says about itself. Sent when it is first seen and whenever something in it changed.
#[derive(Clone, PartialEq, Debug)]
pub struct Discovered {
    pub gateway: String,
    pub card: u8,
    pub channel: u8,
    pub device: DeviceKey,
    pub device_revision: Option<u8>,
    pub universal_revision: u8,
    /// The loop's tag: the register's for a known device, `TAG~<device id>` for the second device with one tag.
    pub tag: Tag,
    /// The register has this loop already.
    pub known: bool,
    /// The tag that another device has already.
    pub duplicate_of: Option<Tag>,
    /// Unit of the range.
    pub pv_unit: Option<String>,
    /// Range and transfer function set in the device.
    pub range: Option<Range>,
    pub damping_s: Option<f64>,
    /// The current is parked and carries no measurement.
    pub parked: Option<bool>,
}

impl Discovered {
    /// An unconfirmed entry for the register; `None` when the device tells no usable range or unit.
    pub fn to_entry(&self) -> Option<LoopEntry> {
        let mut e = LoopEntry::new(self.tag.clone(), self.pv_unit.as_deref()?, self.range?);
        e.damping_s = self.damping_s;
        e.gateway = Some(self.gateway.clone());
        e.channel = Some(format!("{}/{}", self.card, self.channel));
        e.device_type = Some(self.device.device_type);
        e.device_id = Some(self.device.device_id);
        e.device_revision = self.device_revision;
        e.multidrop = self.parked == Some(true);
        e.confirmed = false;
        Some(e)
    }
}

/// How a device is reached.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Route {
    /// The register names it, the gateway does not.
    Absent,
    /// The server is the device.
    Direct { to: UniqueAddress },
    /// Behind an I/O system.
    Sub {
        index: u16,
        card: u8,
        channel: u8,
        to: UniqueAddress,
    },
}

/// Who counts exchanges and errors of this device.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Counters {
    /// 86.
    SubDevice,
    /// 85.
    Channel,
    /// Nobody else does.
    Own,
}

/// Values read since the last row; each goes into one row.
#[derive(Clone, Copy, Debug, Default)]
struct Fresh {
    exchanges: Option<(u16, u16)>,
    config_changes: Option<u16>,
    extended_status: Option<u8>,
}

#[derive(Clone, Debug)]
pub(crate) struct Device {
    pub(crate) route: Route,
    pub(crate) key: Option<DeviceKey>,
    /// Decided tag and the register's unit.
    pub(crate) tag: Option<Tag>,
    pub(crate) pv_unit: Option<String>,
    pub(crate) known: bool,
    pub(crate) duplicate_of: Option<Tag>,
    pub(crate) counters: Counters,
    /// Polls in a row that stayed without an answer.
    pub(crate) unanswered: u32,
    /// Introduced to the service; the fast read waits for the register until then.
    pub(crate) introduced_ms: Option<u64>,
    pub(crate) announced: Option<Discovered>,
    pub(crate) long_tag: Option<String>,
    pub(crate) short_tag: Option<String>,
    universal_revision: u8,
    device_revision: Option<u8>,
    identity_read: bool,
    output: Option<OutputInformation>,
    output_read: bool,
    /// Polling address and loop current mode; `None` inside: the device does not tell.
    loop_configuration: Option<Option<LoopConfiguration>>,
    fresh: Fresh,
    tries: u32,
    failed_tries: u32,
    last_status: u8,
    last_time: UtcMicros,
}

impl Device {
    pub(crate) fn new(route: Route, key: Option<DeviceKey>) -> Self {
        Self {
            route,
            key,
            tag: None,
            pv_unit: None,
            known: false,
            duplicate_of: None,
            counters: if matches!(route, Route::Sub { .. }) {
                Counters::SubDevice
            } else {
                Counters::Own
            },
            unanswered: 0,
            introduced_ms: None,
            announced: None,
            long_tag: None,
            short_tag: None,
            universal_revision: 7,
            device_revision: None,
            identity_read: false,
            output: None,
            output_read: false,
            loop_configuration: None,
            fresh: Fresh::default(),
            tries: 0,
            failed_tries: 0,
            last_status: 0,
            last_time: UtcMicros(i64::MIN),
        }
    }

    /// The request for a planned read; `None` when there is no way to the device.
    pub(crate) fn request(&self, poll: Poll, io_system: Option<UniqueAddress>) -> Option<Request> {
        let command = match poll {
            Poll::Dynamic => ReadCommand::DynamicVariables,
            Poll::Identity => ReadCommand::Identity,
            Poll::Output => ReadCommand::OutputInformation,
            Poll::LongTag => ReadCommand::LongTag,
            Poll::TagDescriptor => ReadCommand::TagDescriptorDate,
            Poll::LoopMode => ReadCommand::LoopConfiguration,
            Poll::AdditionalStatus => ReadCommand::AdditionalStatus,
            Poll::Statistics => match (self.route, self.counters) {
                (Route::Sub { index, .. }, Counters::SubDevice) => {
                    return Some(Request::Direct {
                        to: io_system?,
                        command: ReadCommand::SubDeviceStatistics(index),
                    });
                }
                (Route::Sub { card, channel, .. }, Counters::Channel) => {
                    let command = ReadCommand::ChannelStatistics { card, channel };
                    return Some(Request::Direct {
                        to: io_system?,
                        command,
                    });
                }
                _ => return None,
            },
        };
        match self.route {
            Route::Absent => None,
            Route::Direct { to } => Some(Request::Direct { to, command }),
            Route::Sub {
                card, channel, to, ..
            } => Some(Request::Through {
                io_system: io_system?,
                card,
                channel,
                to,
                command,
            }),
        }
    }

    pub(crate) fn tried(&mut self) {
        self.tries = self.tries.wrapping_add(1);
    }

    pub(crate) fn try_failed(&mut self) {
        self.failed_tries = self.failed_tries.wrapping_add(1);
    }

    pub(crate) fn take_sub_device(&mut self, s: &SubDeviceIdentity<'_>) {
        self.universal_revision = s.universal_revision;
        self.device_revision = s.device_revision.or(self.device_revision);
        let tag = s.long_tag.to_string();
        if !tag.is_empty() {
            self.long_tag = Some(tag);
        }
    }

    pub(crate) fn take_identity(&mut self, i: &Identity) {
        self.identity_read = true;
        self.universal_revision = i.universal_revision;
        self.device_revision = Some(i.device_revision);
        self.fresh.config_changes = i.config_changes.or(self.fresh.config_changes);
        self.take_extended(i.extended_status);
    }

    /// Extended status with its undefined bits masked.
    pub(crate) fn take_extended(&mut self, byte: Option<u8>) {
        self.fresh.extended_status = byte
            .map(|b| b & EXTENDED_STATUS_MASK)
            .or(self.fresh.extended_status);
    }

    pub(crate) fn take_output(&mut self, o: OutputInformation) {
        self.output = Some(o);
        self.output_read = true;
    }

    /// Commands that the device does not know count as read.
    pub(crate) fn no_answer_to(&mut self, poll: Poll) {
        match poll {
            Poll::Identity => self.identity_read = true,
            Poll::Output => self.output_read = true,
            Poll::LongTag if self.long_tag.is_none() => self.long_tag = Some(String::new()),
            Poll::LoopMode if self.loop_configuration.is_none() => {
                self.loop_configuration = Some(None)
            }
            Poll::TagDescriptor if self.short_tag.is_none() => self.short_tag = Some(String::new()),
            _ => {}
        }
    }

    pub(crate) fn take_loop_configuration(&mut self, l: LoopConfiguration) {
        self.loop_configuration = Some(Some(l));
    }

    /// Messages sent and answered, as read from the I/O system.
    pub(crate) fn take_counters(&mut self, sent: u16, answered: u16) {
        self.fresh.exchanges = Some((sent, sent.wrapping_sub(answered)));
    }

    pub(crate) fn universal_revision(&self) -> u8 {
        self.universal_revision
    }

    /// What the device calls itself: long tag, else tag, else where it is wired. `None`: not read yet.
    pub(crate) fn own_tag(&self, gateway: &str) -> Option<String> {
        match (self.long_tag.as_deref(), self.short_tag.as_deref()) {
            (Some(long), _) if !long.is_empty() => Some(long.to_owned()),
            (Some(_), Some(short)) if !short.is_empty() => Some(short.to_owned()),
            (Some(_), Some(_)) => {
                let address = self.loop_configuration?.map_or(0, |l| l.polling_address);
                Some(match self.route {
                    Route::Sub { card, channel, .. } => {
                        format!("{gateway}/{card}/{channel}/{address}")
                    }
                    _ => format!("{gateway}/0/0/{address}"),
                })
            }
            _ => None,
        }
    }

    /// Everything that the register needs has been asked for.
    pub(crate) fn is_introducible(&self) -> bool {
        self.tag.is_some() && self.identity_read && self.output_read
    }

    pub(crate) fn describe(&self, gateway: &str) -> Option<Discovered> {
        let (tag, device) = (self.tag.clone()?, self.key?);
        let (card, channel) = match self.route {
            Route::Sub { card, channel, .. } => (card, channel),
            Route::Direct { .. } => (0, 0),
            Route::Absent => return None,
        };
        let range = self.output.and_then(|o| {
            let (lrv, urv) = (f64::from(o.lrv.value()?), f64::from(o.urv.value()?));
            (lrv != urv).then_some(Range {
                lrv,
                urv,
                transfer: Transfer::from_code(o.transfer),
            })
        });
        Some(Discovered {
            gateway: gateway.to_owned(),
            card,
            channel,
            device,
            device_revision: self.device_revision,
            universal_revision: self.universal_revision,
            tag,
            known: self.known,
            duplicate_of: self.duplicate_of.clone(),
            pv_unit: self.output.and_then(|o| unit_name(o.range_unit)),
            range,
            damping_s: self
                .output
                .and_then(|o| o.damping_s?.value())
                .map(f64::from)
                .filter(|d| *d >= 0.0),
            parked: self.loop_configuration.flatten().map(|l| l.is_parked()),
        })
    }

    /// Takes what the register says now.
    pub(crate) fn take_known(&mut self, known: &KnownLoop) {
        self.tag = Some(known.tag.clone());
        self.pv_unit = Some(known.pv_unit.clone());
        self.known = true;
    }

    /// Looks the device up again: a person may have changed the unit or said that it replaces another.
    pub(crate) fn refresh(&mut self, directory: &dyn LoopDirectory) {
        let by_device = self.key.and_then(|k| directory.by_device(k));
        let found = by_device.or_else(|| {
            let k = directory.by_tag(self.tag.as_ref()?.as_str())?;
            (k.device.is_none() || k.device == self.key).then_some(k)
        });
        if let Some(k) = found {
            self.take_known(&k);
        }
    }

    /// Times strictly increase within a tag, whatever the wall clock does.
    fn next_time(&mut self, wall: UtcMicros) -> UtcMicros {
        let time = if wall > self.last_time {
            wall
        } else {
            UtcMicros(self.last_time.0.saturating_add(1))
        };
        self.last_time = time;
        time
    }

    fn row(&mut self, wall: UtcMicros) -> Reading {
        let mut r = Reading::empty(self.next_time(wall));
        match self.counters {
            // A device that nobody could ask has no tally.
            Counters::Own if self.tries == 0 => {}
            Counters::Own => {
                r.exchanges = Some(self.tries);
                r.comm_errors = Some(self.failed_tries);
            }
            _ => {
                if let Some((sent, failed)) = self.fresh.exchanges.take() {
                    r.exchanges = Some(u32::from(sent));
                    r.comm_errors = Some(u32::from(failed));
                }
            }
        }
        r
    }

    /// The row of an exchange that brought no values; `status` is the device's own, if it answered at all.
    pub(crate) fn failure_row(&mut self, status: Option<Status>, wall: UtcMicros) -> Reading {
        let mut r = self.row(wall);
        r.response_code = status.map(|s| s.first);
        r.device_status = status.and_then(Status::device_status);
        r
    }

    /// The row of a fast read.
    pub(crate) fn value_row(
        &mut self,
        status: Status,
        d: &DynamicVariables,
        wall: UtcMicros,
    ) -> Reading {
        let mut r = self.row(wall);
        r.response_code = Some(status.first);
        r.device_status = status.device_status();
        r.reported_ma = d.loop_ma.or_nan();
        r.config_changes = self.fresh.config_changes.take();
        r.extended_status = self.fresh.extended_status.take();
        let [pv, sv, tv, qv] = d.variables;
        let own = |m: Option<ingest_hart::answer::Measured>| {
            m.filter(|m| m.unit != NOT_USED)
                .map_or(f64::NAN, |m| m.value.or_nan())
        };
        (r.sv, r.tv, r.qv) = (own(sv), own(tv), own(qv));
        r.pv = pv.map_or(f64::NAN, |m| {
            let value = m.value.or_nan();
            let unit = unit_name(m.unit);
            match (unit, self.pv_unit.as_deref()) {
                (Some(from), Some(to)) => unit::convert(value, &from, to)
                    .filter(|v| v.is_finite())
                    .unwrap_or(f64::NAN),
                // No register entry says otherwise: the device's own.
                (Some(_), None) => value,
                (None, _) => f64::NAN,
            }
        });
        r
    }

    /// More status became available with this answer.
    pub(crate) fn more_status_rose(&mut self, status: Status) -> bool {
        let now = status.device_status().unwrap_or(self.last_status);
        let rose = now & !self.last_status & device_bit::MORE_STATUS_AVAILABLE != 0;
        self.last_status = now;
        rose
    }
}

/// Text of a unit code; codes without one are kept by number, "not used" and its like have none.
fn unit_name(code: u8) -> Option<String> {
    match unit_text(code) {
        Some(text) => Some(text.to_owned()),
        None if (NOT_USED..=255).contains(&code) => None,
        None => Some(format!("unit {code}")),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ingest_hart::Float;
    use ingest_hart::answer::Measured;

    fn reading(d: &mut Device, pv_unit: u8, pv: f32, wall: i64) -> Reading {
        let v = DynamicVariables {
            loop_ma: Float::from(12.0),
            variables: [
                Some(Measured {
                    unit: pv_unit,
                    value: Float::from(pv),
                }),
                Some(Measured {
                    unit: 32,
                    value: Float::NOT_AVAILABLE,
                }),
                Some(Measured {
                    unit: NOT_USED,
                    value: Float::from(0.0),
                }),
                None,
            ],
        };
        d.value_row(
            Status {
                first: 0,
                second: 0x40,
            },
            &v,
            UtcMicros(wall),
        )
    }

    #[test]
    fn units_are_converted_or_the_pv_is_missing() {
        let mut d = Device::new(Route::Absent, None);
        d.pv_unit = Some("kPa".into());
        let r = reading(&mut d, 7, 2.5, 10);
        assert_eq!(
            (r.pv, r.reported_ma, r.device_status),
            (250.0, 12.0, Some(0x40))
        );
        assert!(r.sv.is_nan() && r.tv.is_nan() && r.qv.is_nan());
        assert!(reading(&mut d, 32, 2.5, 11).pv.is_nan());
        assert!(reading(&mut d, 250, 2.5, 12).pv.is_nan());
        assert!(reading(&mut d, 7, f32::NAN, 13).pv.is_nan());
    }

    #[test]
    fn times_strictly_increase_and_fresh_values_go_out_once() {
        let mut d = Device::new(
            Route::Sub {
                index: 1,
                card: 0,
                channel: 0,
                to: UniqueAddress::new(1, 2),
            },
            None,
        );
        d.take_counters(3, 0xFFFF);
        let a = reading(&mut d, 7, 1.0, 1_000);
        assert_eq!((a.exchanges, a.comm_errors), (Some(3), Some(4)));
        let b = reading(&mut d, 7, 1.0, 900);
        assert_eq!((b.time, b.exchanges), (UtcMicros(1_001), None));
        let f = d.failure_row(
            Some(Status {
                first: 0x88,
                second: 0,
            }),
            UtcMicros(900),
        );
        assert_eq!(
            (f.time, f.response_code, f.device_status),
            (UtcMicros(1_002), Some(0x88), None)
        );
        assert!(f.pv.is_nan() && f.reported_ma.is_nan());
        d.counters = Counters::Own;
        d.tried();
        d.tried();
        d.try_failed();
        let o = d.failure_row(None, UtcMicros(2_000));
        assert_eq!(
            (o.exchanges, o.comm_errors, o.response_code),
            (Some(2), Some(1), None)
        );
    }

    #[test]
    fn every_unit_text_of_the_wire_is_a_unit_or_stands_for_itself() {
        for (_, text) in ingest_hart::unit_code::UNITS {
            assert_eq!(unit::convert(1.5, text, text), Some(1.5));
        }
        // All units with a fixed factor are known under the name that the wire gives them.
        let known = ingest_hart::unit_code::UNITS
            .iter()
            .filter(|(_, t)| unit::find(t).is_some())
            .count();
        assert!(known >= 125, "{known}");
    }
}
