//! Small site folders, a store from them, and requests without a socket.

use axum::body::Body;
use axum::http::{Request, StatusCode};
use ingest_model::UtcMicros;
use ingest_store::Store;
use loopwitness::state::{GatewaySource, Limits, Shared, SiteView};
use std::fmt::Write as _;
use std::path::Path;
use std::sync::Arc;
use tokio_util::sync::CancellationToken;
use tower::ServiceExt;

/// 2026-03-01T00:00:00Z.
pub(crate) const START: i64 = 1_772_323_200_000_000;

pub(crate) const REGISTER: &str = "tag,pv_unit,lrv,urv,area,criticality,gateway,modem\n\
    FT-101,m3/h,0,100,Intake,control,north,M1\n\
    PT-102,bar,0,10,Intake,safety,north,M1\n\
    Pumpe Süd/3 #2,bar,0,10,Outfall,indication,north,M2\n";

/// Two days at 10 min: PT-102's analog side drops to 3.5 mA in the last twelve hours.
pub(crate) fn write_site(dir: &Path) {
    std::fs::create_dir_all(dir.join("readings")).unwrap();
    std::fs::write(dir.join("loops.csv"), REGISTER).unwrap();
    let mut text = String::from("time,tag,pv,reported_ma,analog_ma,response_code,device_status\n");
    for n in 0..288_i64 {
        let time = UtcMicros(START + n * 600_000_000);
        let wave = (n as f64 / 7.0).sin();
        for (tag, span) in [
            ("FT-101", 100.0),
            ("PT-102", 10.0),
            ("Pumpe Süd/3 #2", 10.0),
        ] {
            let share = 0.5 + 0.3 * wave;
            let ma = 4.0 + 16.0 * share;
            let analog = if tag == "PT-102" && n >= 216 { 3.5 } else { ma };
            writeln!(text, "{time},{tag},{},{ma},{analog},0,0", span * share).unwrap();
        }
    }
    std::fs::write(dir.join("readings/2026-03.csv"), text).unwrap();
}

/// A service's state over a fresh store, assessed once.
pub(crate) struct Fixture {
    _dir: tempfile::TempDir,
    pub(crate) shared: Arc<Shared>,
    pub(crate) stop: CancellationToken,
}

impl Fixture {
    /// With the small site imported; `assessed` also ran one assessment.
    pub(crate) fn new(assessed: bool) -> Self {
        Self::with(assessed, Limits::default(), Box::new(gateways))
    }

    /// [`new`](Self::new) with other bounds and gateways.
    pub(crate) fn with(assessed: bool, limits: Limits, gateways: GatewaySource) -> Self {
        Self::of(&write_site, assessed, limits, gateways)
    }

    /// Of another site, assessed.
    pub(crate) fn of_site(write: &dyn Fn(&Path)) -> Self {
        Self::of(write, true, Limits::default(), Box::new(gateways))
    }

    fn of(write: &dyn Fn(&Path), assessed: bool, limits: Limits, gateways: GatewaySource) -> Self {
        let dir = tempfile::tempdir().unwrap();
        write(&dir.path().join("site"));
        let now = UtcMicros(START);
        let store = Store::open(&dir.path().join("store"), "test", now).unwrap();
        store
            .import_site(&dir.path().join("site"), now, &mut |_| {})
            .unwrap();
        let stop = CancellationToken::new();
        let site = SiteView {
            name: "Small Works".into(),
            timezone: "Europe/Madrid".into(),
        };
        let store = Arc::new(store);
        let shared = Arc::new(Shared::with_limits(
            site,
            store,
            gateways,
            stop.clone(),
            limits,
        ));
        let snapshot = shared.reader.snapshot().unwrap();
        shared.load_newest(&snapshot).unwrap();
        shared.set_ready();
        if assessed {
            let mut engine = analytics_assess::Engine::new(analytics_assess::Settings::default());
            let result = engine.assess(&snapshot, None, &mut |_| {}).unwrap();
            shared.set_current(result, now);
        }
        Self {
            _dir: dir,
            shared,
            stop,
        }
    }

    pub(crate) async fn send(
        &self,
        request: Request<Body>,
    ) -> (StatusCode, axum::http::HeaderMap, Vec<u8>) {
        let response = loopwitness::http::router(self.shared.clone())
            .oneshot(request)
            .await
            .unwrap();
        let (parts, body) = response.into_parts();
        let bytes = axum::body::to_bytes(body, usize::MAX).await.unwrap();
        (parts.status, parts.headers, bytes.to_vec())
    }

    pub(crate) async fn get(&self, path: &str) -> (StatusCode, serde_json::Value) {
        let (status, _, body) = self
            .send(Request::get(path).body(Body::empty()).unwrap())
            .await;
        (
            status,
            serde_json::from_slice(&body).unwrap_or(serde_json::Value::Null),
        )
    }
}

fn gateways() -> Vec<loopwitness::state::GatewayView> {
    vec![loopwitness::state::GatewayView {
        name: "north".into(),
        connected: true,
        sessions: 1,
        master: Some("secondary"),
        devices: 3,
        planned_per_s: 0.1,
        achieved_per_s: 0.1,
        late_s: 0.0,
        modems: vec![],
        failures: loopwitness::state::FailureCounts {
            timeouts: 4,
            ..Default::default()
        },
        readings_lost: 0,
        last_error: None,
    }]
}
