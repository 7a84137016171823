//! What devices said last beside their readings: kept as it came, to be explained by whoever shows it.
//!
//! One sheet a device (and one for the gateway itself), one entry a command and request. In memory only: after a start it
//! fills again within the first rounds of the slow plan.

use ingest_model::{DeviceKey, Tag, UtcMicros};
use std::collections::HashMap;
use std::sync::{PoisonError, RwLock};

/// Entries that a sheet has at most.
const MOST_ANSWERS: usize = 96;

/// The newest answer to one request.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct SheetAnswer {
    pub command: u16,
    /// Request data, without the number within 31.
    pub request: Box<[u8]>,
    pub time: UtcMicros,
    pub response_code: u8,
    pub device_status: u8,
    /// Data field, without the number within 31.
    pub data: Box<[u8]>,
}

/// One device.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct Sheet {
    pub gateway: String,
    /// `None`: the gateway itself, or not decided yet.
    pub tag: Option<Tag>,
    pub device: DeviceKey,
    pub device_revision: Option<u8>,
    pub universal_revision: u8,
    /// It publishes over the air at its own period.
    pub wireless: bool,
    /// In order of command and request. A list with no room to spare: of 10,000 devices a map would hold 40 MB.
    answers: Vec<SheetAnswer>,
}

impl Sheet {
    /// An empty one.
    pub fn new(gateway: &str, device: DeviceKey) -> Self {
        Self {
            gateway: gateway.to_owned(),
            tag: None,
            device,
            device_revision: None,
            universal_revision: 7,
            wireless: false,
            answers: Vec::new(),
        }
    }

    /// By command and request.
    pub fn answers(&self) -> impl Iterator<Item = &SheetAnswer> {
        self.answers.iter()
    }

    /// Puts an answer in place of the one before to the same request.
    fn put(&mut self, answer: SheetAnswer) {
        let of = (answer.command, &answer.request);
        let place = self
            .answers
            .binary_search_by(|a| (a.command, &a.request).cmp(&of));
        match place {
            Ok(i) => self.answers[i] = answer,
            Err(i) if self.answers.len() < MOST_ANSWERS => {
                self.answers.reserve_exact(1);
                self.answers.insert(i, answer);
            }
            Err(_) => {}
        }
    }

    /// The newest answer to a command, whatever its request.
    pub fn newest(&self, command: u16) -> Option<&SheetAnswer> {
        self.answers
            .iter()
            .filter(|a| a.command == command)
            .max_by_key(|a| a.time)
    }
}

/// Gateway and device.
type Key = (String, DeviceKey);

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
    pub fn note(&self, head: Sheet, answer: SheetAnswer) {
        let mut sheets = self.0.write().unwrap_or_else(PoisonError::into_inner);
        let key = (head.gateway.clone(), head.device);
        if let Some(tag) = &head.tag
            && sheets.of_tag.get(tag) != Some(&key)
        {
            sheets.of_tag.insert(tag.clone(), key.clone());
        }
        let sheet = sheets.all.entry(key).or_insert_with(|| head.clone());
        let answers = std::mem::take(&mut sheet.answers);
        *sheet = Sheet { answers, ..head };
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
        all.filter(|s| s.gateway == gateway && s.tag.is_none())
            .max_by_key(|s| s.answers().map(|a| a.time).max())
            .cloned()
    }
}
