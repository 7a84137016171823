//! What devices said last beside their readings: kept as it came, to be explained by whoever shows it.
//!
//! One sheet a device (and one for the gateway itself), one entry a command and request. In memory only: after a start it
//! fills again within the first rounds of the slow plan.

use ingest_model::{DeviceKey, Tag, UtcMicros};
use std::cmp::Ordering;
use std::collections::HashMap;
use std::sync::{Arc, PoisonError, RwLock};

/// Entries that a sheet has at most.
const MOST_ANSWERS: usize = 96;

/// The newest answer to one request.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct SheetAnswer<'a> {
    pub command: u16,
    /// Request data, without the number within 31.
    pub request: &'a [u8],
    pub time: UtcMicros,
    pub response_code: u8,
    pub device_status: u8,
    /// Data field, without the number within 31.
    pub data: &'a [u8],
}

/// One device.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Sheet {
    pub gateway: Arc<str>,
    /// `None`: the gateway itself, or not decided yet.
    pub tag: Option<Tag>,
    pub device: DeviceKey,
    pub device_revision: Option<u8>,
    pub universal_revision: u8,
    /// It publishes over the air at its own period.
    pub wireless: bool,
    /// In order of command and request, packed: of 10,000 devices with twenty answers each, a list of answers with their
    /// fields in boxes of their own would hold 20 MB.
    packed: Vec<u8>,
}

impl Sheet {
    /// An empty one.
    pub fn new(gateway: Arc<str>, device: DeviceKey) -> Self {
        Self {
            gateway,
            tag: None,
            device,
            device_revision: None,
            universal_revision: 7,
            wireless: false,
            packed: Vec::new(),
        }
    }

    /// By command and request.
    pub fn answers(&self) -> impl Iterator<Item = SheetAnswer<'_>> {
        Answers(&self.packed)
    }

    /// Puts an answer in place of the one before to the same request.
    fn put(&mut self, answer: SheetAnswer<'_>) {
        let (mut from, mut all) = (0, 0);
        let mut replaced = 0;
        for a in self.answers() {
            all += 1;
            match (a.command, a.request).cmp(&(answer.command, answer.request)) {
                Ordering::Less => from += packed_len(&a),
                Ordering::Equal => replaced = packed_len(&a),
                Ordering::Greater => {}
            }
        }
        if replaced == 0 && all == MOST_ANSWERS {
            return;
        }
        let mut bytes = Vec::with_capacity(packed_len(&answer));
        pack(&answer, &mut bytes);
        self.packed
            .reserve_exact(bytes.len().saturating_sub(replaced));
        // Both ends are ends of answers within the list.
        self.packed.splice(from..from + replaced, bytes);
    }

    /// The newest answer to a command, whatever its request.
    pub fn newest(&self, command: u16) -> Option<SheetAnswer<'_>> {
        self.answers()
            .filter(|a| a.command == command)
            .max_by_key(|a| a.time)
    }
}

/// Bytes of an answer before its request and data: command, time, both status bytes, both lengths.
const PACKED_HEAD: usize = 2 + 8 + 2 + 2;

/// At most what the byte count of a frame can say.
fn field(bytes: &[u8]) -> &[u8] {
    bytes.get(..usize::from(u8::MAX)).unwrap_or(bytes)
}

fn packed_len(a: &SheetAnswer<'_>) -> usize {
    PACKED_HEAD + field(a.request).len() + field(a.data).len()
}

fn pack(a: &SheetAnswer<'_>, out: &mut Vec<u8>) {
    let (request, data) = (field(a.request), field(a.data));
    out.extend(a.command.to_le_bytes());
    out.extend(a.time.0.to_le_bytes());
    out.extend([a.response_code, a.device_status]);
    out.extend([request.len() as u8, data.len() as u8]);
    out.extend(request);
    out.extend(data);
}

/// What is left of a packed list.
struct Answers<'a>(&'a [u8]);

impl<'a> Iterator for Answers<'a> {
    type Item = SheetAnswer<'a>;

    fn next(&mut self) -> Option<SheetAnswer<'a>> {
        let (command, rest) = self.0.split_first_chunk()?;
        let (time, rest) = rest.split_first_chunk()?;
        let ([response_code, device_status, request, data], rest) = rest.split_first_chunk()?;
        let (request, rest) = rest.split_at_checked(usize::from(*request))?;
        let (data, rest) = rest.split_at_checked(usize::from(*data))?;
        self.0 = rest;
        Some(SheetAnswer {
            command: u16::from_le_bytes(*command),
            request,
            time: UtcMicros(i64::from_le_bytes(*time)),
            response_code: *response_code,
            device_status: *device_status,
            data,
        })
    }
}

/// Gateway and device.
type Key = (Arc<str>, DeviceKey);

#[derive(Debug, Default)]
struct Sheets {
    all: HashMap<Key, Sheet>,
    /// The sheet of each loop's device; of two (after an exchange) the one that spoke last.
    of_tag: HashMap<Tag, Key>,
}

/// All sheets; shared by the tasks that read and whoever shows them.
#[derive(Debug, Default)]
pub struct SheetTable(RwLock<Sheets>);

impl SheetTable {
    /// Puts an answer into a sheet whose head is `head`.
    pub fn note(&self, head: Sheet, answer: SheetAnswer<'_>) {
        let mut sheets = self.0.write().unwrap_or_else(PoisonError::into_inner);
        let key = (head.gateway.clone(), head.device);
        if let Some(tag) = &head.tag
            && sheets.of_tag.get(tag) != Some(&key)
        {
            sheets.of_tag.insert(tag.clone(), key.clone());
        }
        let sheet = sheets.all.entry(key).or_insert_with(|| head.clone());
        let packed = std::mem::take(&mut sheet.packed);
        *sheet = Sheet { packed, ..head };
        sheet.put(answer);
    }

    /// Looks at the sheet of a loop's device.
    pub fn look<T>(&self, tag: &Tag, at: impl FnOnce(&Sheet) -> T) -> Option<T> {
        let sheets = self.0.read().unwrap_or_else(PoisonError::into_inner);
        let sheet = sheets.all.get(sheets.of_tag.get(tag)?)?;
        // The device may have gone to another tag since.
        (sheet.tag.as_ref() == Some(tag)).then(|| at(sheet))
    }

    /// A copy of the sheet of a loop's device.
    pub fn of_tag(&self, tag: &Tag) -> Option<Sheet> {
        self.look(tag, Sheet::clone)
    }

    /// The sheet of a gateway itself, which has no tag of a loop.
    pub fn of_gateway(&self, gateway: &str) -> Option<Sheet> {
        let sheets = self.0.read().unwrap_or_else(PoisonError::into_inner);
        let all = sheets.all.values();
        all.filter(|s| *s.gateway == *gateway && s.tag.is_none())
            .max_by_key(|s| s.answers().map(|a| a.time).max())
            .cloned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn answer<'a>(command: u16, request: &'a [u8], time: i64, data: &'a [u8]) -> SheetAnswer<'a> {
        SheetAnswer {
            command,
            request,
            time: UtcMicros(time),
            response_code: 0,
            device_status: 0x40,
            data,
        }
    }

    #[test]
    fn newest_answers_stand_in_order() {
        let device = DeviceKey {
            device_type: 1,
            device_id: 2,
        };
        let mut sheet = Sheet::new("GW".into(), device);
        sheet.put(answer(54, &[1], 10, &[5; 28]));
        sheet.put(answer(15, &[], 11, &[6; 18]));
        sheet.put(answer(54, &[0], 12, &[7; 28]));
        // Longer, shorter and empty in place of what was there.
        sheet.put(answer(15, &[], 13, &[8; 19]));
        sheet.put(answer(54, &[1], 14, &[]));
        let all: Vec<_> = sheet.answers().collect();
        let stand = [
            answer(15, &[], 13, &[8; 19]),
            answer(54, &[0], 12, &[7; 28]),
            answer(54, &[1], 14, &[]),
        ];
        assert_eq!(all, stand);
        assert_eq!(sheet.newest(54), Some(stand[2]));
        assert_eq!(sheet.newest(48), None);
    }

    #[test]
    fn a_full_sheet_takes_only_what_it_has() {
        let device = DeviceKey {
            device_type: 1,
            device_id: 2,
        };
        let mut sheet = Sheet::new("GW".into(), device);
        for n in 0..200 {
            sheet.put(answer(n, &[], 1, &[n as u8]));
        }
        assert_eq!(sheet.answers().count(), MOST_ANSWERS);
        sheet.put(answer(7, &[], 2, &[0xFF; 255]));
        assert_eq!(sheet.answers().count(), MOST_ANSWERS);
        assert_eq!(sheet.newest(7), Some(answer(7, &[], 2, &[0xFF; 255])));
    }
}
