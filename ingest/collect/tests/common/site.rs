//! A running collector over a tiny gateway, and the sink that keeps its rows.

use ingest_collect::*;
use ingest_model::{DeviceKey, Reading, Tag};
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use std::time::Duration;
use tokio_util::sync::CancellationToken;

/// Keeps every row; the first batches can be refused.
#[derive(Debug, Default)]
pub(crate) struct Rows {
    pub(crate) rows: Mutex<Vec<(Tag, Reading)>>,
    pub(crate) refuse: Mutex<u32>,
}

impl ReadingSink for Rows {
    fn append(&self, batch: Vec<(Tag, Reading)>) -> Result<(), SinkError> {
        let mut refuse = self.refuse.lock().unwrap();
        if *refuse > 0 {
            *refuse -= 1;
            return Err(SinkError("disk full".into()));
        }
        self.rows.lock().unwrap().extend(batch);
        Ok(())
    }
}

impl Rows {
    pub(crate) fn of(&self, tag: &str) -> Vec<Reading> {
        self.rows
            .lock()
            .unwrap()
            .iter()
            .filter(|(t, _)| t.as_str() == tag)
            .map(|(_, r)| *r)
            .collect()
    }
}

pub(crate) fn known(tag: &str, unit: &str, id: Option<u32>) -> KnownLoop {
    KnownLoop {
        tag: Tag::new(tag).unwrap(),
        pv_unit: unit.into(),
        device: id.map(|device_id| DeviceKey {
            device_type: 0x6A31,
            device_id,
        }),
        gateway: Some("GW-1".into()),
    }
}

/// A running collector against one gateway, polling every 100 ms with 150 ms time-out and one retry.
pub(crate) struct Site {
    pub(crate) collector: Collector,
    pub(crate) rows: Arc<Rows>,
    pub(crate) stop: CancellationToken,
}

impl Site {
    pub(crate) fn start(
        address: SocketAddr,
        loops: Vec<KnownLoop>,
        analog: Vec<AnalogConfig>,
    ) -> Self {
        Self::over(Transport::Tcp, address, loops, analog)
    }

    pub(crate) fn over(
        transport: Transport,
        address: SocketAddr,
        loops: Vec<KnownLoop>,
        analog: Vec<AnalogConfig>,
    ) -> Self {
        let mut g = GatewayConfig::new("GW-1", &address.to_string());
        g.transport = transport;
        g.poll_every = Duration::from_millis(100);
        g.timeout = Duration::from_millis(150);
        g.retries = 1;
        let rows = Arc::new(Rows::default());
        let stop = CancellationToken::new();
        let parts = CollectorParts {
            gateways: vec![g],
            analog,
            directory: Arc::new(StaticDirectory::new(loops)),
            sink: rows.clone(),
        };
        Self {
            collector: Collector::start(parts, stop.clone()),
            rows,
            stop,
        }
    }

    pub(crate) fn status(&self) -> GatewayStatus {
        self.collector.gateways().remove(0)
    }

    /// Waits until something is so, at most 15 s.
    pub(crate) async fn until(&self, what: &str, mut so: impl FnMut(&Self) -> bool) {
        for _ in 0..1_500 {
            if so(self) {
                return;
            }
            tokio::time::sleep(Duration::from_millis(10)).await;
        }
        panic!("never: {what}; {:?}", self.status());
    }
}
