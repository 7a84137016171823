//! One device as the collector sees it: how it is reached, what it said about itself, and how answers become readings.

mod content;
mod fast;
mod rest;
mod rows;
pub(crate) mod values;

use self::content::{Content, Which};
pub(crate) use self::fast::FastRead;
use self::rest::Rest;
use self::values::Values;
use crate::directory::{KnownLoop, LoopDirectory};
use ingest_hart::answer::{
    Assignments, Identity, LoopConfiguration, OutputInformation, SubDeviceIdentity,
};
use ingest_hart::plan::Poll;
use ingest_hart::status::EXTENDED_STATUS_MASK;
use ingest_hart::unit_code::{NOT_USED, unit_text};
use ingest_hart::{OptIn, ReadCommand, Request, UniqueAddress};
use ingest_model::{DeviceKey, LoopEntry, Range, Tag, Transfer, UtcMicros};

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

/// What an answer to command 0 says is not as before.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Changed {
    Nothing,
    /// The counter moved.
    Configuration,
    /// Another firmware or hardware: other commands, perhaps.
    Revision,
}

fn part_of(poll: Poll) -> Option<Which> {
    match poll {
        Poll::TagDescriptor => Some(Which::Tag),
        Poll::Output => Some(Which::Output),
        Poll::Assignments => Some(Which::Assignments),
        _ => None,
    }
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
    pub(crate) fast: FastRead,
    /// Which of PV, SV, TV, QV an answer to 3 brought.
    has_variables: Option<[bool; 4]>,
    /// Software and hardware revision: with another one it is another device as far as its commands go.
    revisions: Option<[u8; 4]>,
    /// The configuration change counter of command 0; `None` inside: it has none.
    counted: Option<Option<u16>>,
    content: Content,
    pub(crate) assignments: Option<Assignments>,
    /// The highest code of a device variable.
    last_variable: Option<u8>,
    pub(crate) rest: Rest,
    /// It publishes over the air, at its own period.
    pub(crate) wireless: bool,
    /// Update period of its burst messages, where it tells (105).
    pub(crate) update_period_ms: Option<u64>,
    /// When burst messages last brought both values, and when a burst message last became a row.
    pub(crate) published_ms: Option<u64>,
    pub(crate) published_row_ms: Option<u64>,
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
            fast: FastRead::NEW,
            has_variables: None,
            revisions: None,
            counted: None,
            content: Content::default(),
            assignments: None,
            last_variable: None,
            rest: Rest::default(),
            wireless: false,
            update_period_ms: None,
            published_ms: None,
            published_row_ms: None,
            fresh: Fresh::default(),
            tries: 0,
            failed_tries: 0,
            last_status: 0,
            last_time: UtcMicros(i64::MIN),
        }
    }

    /// The request for a planned read; `None` when there is no way to the device. `room`: the modem has the time for the
    /// longer of the two fast reads.
    pub(crate) fn request(
        &self,
        poll: Poll,
        io_system: Option<UniqueAddress>,
        room: bool,
        opened: OptIn,
    ) -> Option<Request> {
        let command = match poll {
            Poll::Dynamic => {
                self.fast
                    .command(self.has_variables.as_ref(), self.universal_revision, room)
            }
            Poll::Assignments => ReadCommand::Assignments,
            Poll::Identity => ReadCommand::Identity,
            Poll::Output => ReadCommand::OutputInformation,
            Poll::LongTag => ReadCommand::LongTag,
            Poll::TagDescriptor => ReadCommand::TagDescriptorDate,
            Poll::LoopMode => ReadCommand::LoopConfiguration,
            Poll::AdditionalStatus => ReadCommand::AdditionalStatus,
            Poll::Rest => self.rest_command(opened)?,
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
        self.wireless = s.profile.map_or(self.wireless, is_wireless);
        let tag = s.long_tag.to_string();
        if !tag.is_empty() {
            self.long_tag = Some(tag);
        }
    }

    pub(crate) fn take_identity(&mut self, i: &Identity) -> Changed {
        let revisions = [
            i.universal_revision,
            i.device_revision,
            i.software_revision,
            i.hardware_revision,
        ];
        let before = (
            self.revisions.replace(revisions),
            self.counted.replace(i.config_changes),
        );
        self.identity_read = true;
        self.universal_revision = i.universal_revision;
        self.device_revision = Some(i.device_revision);
        self.last_variable = i.last_variable;
        // Physical signalling 4 is wireless (common table 10 of HCF_SPEC-183).
        self.wireless = i.signalling == 4 || i.profile.map_or(self.wireless, is_wireless);
        self.fresh.config_changes = i.config_changes.or(self.fresh.config_changes);
        self.take_extended(i.extended_status);
        match before {
            (Some(r), _) if r != revisions => {
                self.fast = FastRead::NEW;
                self.has_variables = None;
                self.content = Content::default();
                self.assignments = None;
                self.rest = Rest::default();
                Changed::Revision
            }
            (_, Some(c)) if c != i.config_changes => Changed::Configuration,
            _ => Changed::Nothing,
        }
    }

    /// The device has told that it does not count configuration changes: they show in 13, 15 and 50 only.
    pub(crate) fn counts_no_changes(&self) -> bool {
        self.counted == Some(None)
    }

    /// A read that tells configuration and was not made yet.
    pub(crate) fn wants(&self, poll: Poll) -> bool {
        self.counts_no_changes() && part_of(poll).is_some_and(|which| self.content.is_unread(which))
    }

    /// The data field of a read that is part of the configuration.
    pub(crate) fn take_content(&mut self, poll: Poll, data: &[u8]) {
        if let Some(which) = part_of(poll) {
            self.content.take(which, data);
            self.note_content();
        }
    }

    fn note_content(&mut self) {
        if self.counts_no_changes() {
            self.fresh.config_changes = self.content.counter().or(self.fresh.config_changes);
        }
    }

    /// A poll with 9 is given up.
    pub(crate) fn nine_lost(&mut self) {
        if self.fast.poll_lost() {
            self.has_variables = None;
        }
    }

    /// Remembers which variables an answer to 3 brought.
    pub(crate) fn take_variables(&mut self, v: &Values) {
        self.has_variables = Some(v.variables.map(|m| m.is_some_and(|m| m.unit != NOT_USED)));
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

    /// The device does not know this command, today or ever: a part of the configuration less.
    pub(crate) fn lacks(&mut self, poll: Poll) {
        if let Some(which) = part_of(poll) {
            self.content.absent(which);
            self.note_content();
        }
        self.no_answer_to(poll);
    }

    /// Commands without an answer in data count as read.
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

    pub(crate) fn device_revision(&self) -> Option<u8> {
        self.device_revision
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
}

/// Device profiles of wireless devices and of adapters that publish for wired ones.
fn is_wireless(profile: u8) -> bool {
    matches!(profile, 129..=131 | 141 | 142)
}

/// Text of a unit code; codes without one are kept by number, "not used" and its like have none.
pub(crate) fn unit_name(code: u8) -> Option<String> {
    match unit_text(code) {
        Some(text) => Some(text.to_owned()),
        None if (NOT_USED..=255).contains(&code) => None,
        None => Some(format!("unit {code}")),
    }
}
