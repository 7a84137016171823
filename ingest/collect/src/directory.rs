//! Who is known: the register as the collector needs it.

use ingest_model::{DeviceKey, LoopEntry, Tag};
use std::collections::HashMap;

/// A loop of the register.
#[derive(Clone, PartialEq, Eq, Debug)]
pub struct KnownLoop {
    pub tag: Tag,
    pub pv_unit: String,
    /// The device that the register names, if it names one in full.
    pub device: Option<DeviceKey>,
    pub gateway: Option<String>,
}

impl From<&LoopEntry> for KnownLoop {
    fn from(e: &LoopEntry) -> Self {
        let device = match (e.device_type, e.device_id) {
            (Some(device_type), Some(device_id)) => Some(DeviceKey {
                device_type,
                device_id,
            }),
            _ => None,
        };
        Self {
            tag: e.tag.clone(),
            pv_unit: e.pv_unit.clone(),
            device,
            gateway: e.gateway.clone(),
        }
    }
}

/// Looks loops up in the register as it is now. Called from the polling tasks: must answer from memory.
pub trait LoopDirectory: Send + Sync {
    fn by_device(&self, device: DeviceKey) -> Option<KnownLoop>;
    fn by_tag(&self, tag: &str) -> Option<KnownLoop>;
    /// Loops that the register places behind a gateway.
    fn of_gateway(&self, gateway: &str) -> Vec<KnownLoop>;
}

/// A directory that does not change.
#[derive(Clone, Debug, Default)]
pub struct StaticDirectory {
    loops: Vec<KnownLoop>,
    by_device: HashMap<DeviceKey, usize>,
    by_tag: HashMap<Tag, usize>,
}

impl StaticDirectory {
    pub fn new(loops: Vec<KnownLoop>) -> Self {
        let by_device = loops
            .iter()
            .enumerate()
            .filter_map(|(i, l)| Some((l.device?, i)))
            .collect();
        let by_tag = loops
            .iter()
            .enumerate()
            .map(|(i, l)| (l.tag.clone(), i))
            .collect();
        Self {
            loops,
            by_device,
            by_tag,
        }
    }
}

impl LoopDirectory for StaticDirectory {
    fn by_device(&self, device: DeviceKey) -> Option<KnownLoop> {
        self.by_device
            .get(&device)
            .and_then(|i| self.loops.get(*i))
            .cloned()
    }

    fn by_tag(&self, tag: &str) -> Option<KnownLoop> {
        let tag = Tag::new(tag).ok()?;
        self.by_tag
            .get(&tag)
            .and_then(|i| self.loops.get(*i))
            .cloned()
    }

    fn of_gateway(&self, gateway: &str) -> Vec<KnownLoop> {
        self.loops
            .iter()
            .filter(|l| l.gateway.as_deref() == Some(gateway))
            .cloned()
            .collect()
    }
}
