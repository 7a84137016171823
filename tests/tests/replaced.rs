//! A device is exchanged in the plant: the whole program sees it at the same tag and channel with another identity, mixes
//! nothing, and carries the loop on with a new baseline when a person says that the new device replaces the old one.

#[allow(dead_code, reason = "shared with the tests that stand behind proxies")]
mod site;

use ingest_model::UtcMicros;
use sample_fleet::wire::gateway::{Gateway, Port};
use sample_fleet::wire::{DeviceCard, DeviceState, Devices};
use serde_json::{Value, json};
use site::{Service, now};
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio_util::sync::CancellationToken;

const OLD_ID: u32 = 0x00_00A1;
const NEW_ID: u32 = 0x00_00A2;
const OLD_PV: f64 = 2.5;
const NEW_PV: f64 = 6.5;

/// One channel with one device, and a neighbour that stays.
struct Plant {
    cards: Vec<DeviceCard>,
    pv: [f64; 2],
}

impl Devices for Plant {
    fn gateways(&self) -> Vec<String> {
        vec!["GW-1".to_owned()]
    }

    fn cards(&self) -> &[DeviceCard] {
        &self.cards
    }

    fn state(&self, index: usize, _: UtcMicros) -> DeviceState {
        let pv = self.pv.get(index).copied().unwrap_or_default();
        DeviceState {
            pv: pv as f32,
            sv: 21.25,
            loop_ma: (4.0 + 1.6 * pv) as f32,
            device_status: 0,
            extended_status: 0,
            config_counter: 17,
            answers: true,
            exchange_fails: false,
        }
    }

    fn analog_ma(&self, _: usize, _: UtcMicros) -> f64 {
        0.0
    }
}

fn plant(device_id: u32, pv: f64) -> Arc<Plant> {
    let card = |tag: &str, channel, device_id, urv| DeviceCard {
        tag: tag.to_owned(),
        gateway: 0,
        modem: 0,
        channel,
        device_type: 0x6A31,
        device_id,
        device_revision: 2,
        universal_revision: 7,
        pv_unit_code: 7,
        sv_unit_code: 32,
        lrv: 0.0,
        urv,
        transfer_code: 0,
        damping_s: 0.5,
        multidrop: false,
    };
    let urv = if device_id == OLD_ID { 10.0 } else { 12.0 };
    Arc::new(Plant {
        cards: vec![
            card("PT-1", 0, device_id, urv),
            card("PT-9", 1, 0x00_00B1, 10.0),
        ],
        pv: [pv, 1.5],
    })
}

async fn serve(plant: Arc<Plant>, at: SocketAddr, stop: CancellationToken) {
    let port = loop {
        match Port::open(at, false).await {
            Ok(port) => break port,
            Err(_) => tokio::time::sleep(Duration::from_millis(50)).await,
        }
    };
    Arc::new(Gateway::new(0, plant, now)).run(port, stop).await;
}

fn get(service: &Service, path: &str) -> Value {
    let mut answer = ureq::get(&format!("{}api/v1/{path}", service.url))
        .call()
        .unwrap();
    serde_json::from_str(&answer.body_mut().read_to_string().unwrap()).unwrap()
}

fn until(what: &str, mut is_so: impl FnMut() -> bool) {
    let began = Instant::now();
    while !is_so() {
        assert!(began.elapsed() < Duration::from_secs(240), "not so: {what}");
        std::thread::sleep(Duration::from_millis(250));
    }
}

fn loops(service: &Service) -> Vec<Value> {
    let all = get(service, "loops");
    all["loops"].as_array().unwrap().clone()
}

fn has(service: &Service, tag: &str, pv: f64) -> bool {
    loops(service)
        .iter()
        .any(|l| l["tag"] == tag && l["last"]["pv"] == pv)
}

/// Values of a loop's rows, in order, unanswered polls left out.
fn values(service: &Service, tag: &str) -> Vec<f64> {
    let rows = get(service, &format!("loops/{tag}/readings?points=100000"));
    let pv = rows["columns"]["pv"].as_array().unwrap();
    pv.iter().filter_map(Value::as_f64).collect()
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_replaced_device_carries_the_loop_on_with_a_new_baseline() {
    let dir = tempfile::tempdir().unwrap();
    let at = std::net::TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap();
    let toml = format!(
        "[site]\nname = \"One channel\"\nstore = \"store\"\nlisten = \"127.0.0.1:0\"\n\
         [[gateway]]\nname = \"GW-1\"\naddress = \"{at}\"\npoll_every = \"4s\"\ntimeout = \"4s\"\nretries = 1\n"
    );
    std::fs::write(dir.path().join("site.toml"), toml).unwrap();
    let register = "tag,pv_unit,lrv,urv,damping_s,gateway,device_type,device_id\n\
                    PT-1,bar,0,10,0.5,GW-1,0x6A31,0x0000A1\nPT-9,bar,0,10,0.5,GW-1,0x6A31,0x0000B1\n";
    std::fs::write(dir.path().join("loops.csv"), register).unwrap();
    let before = CancellationToken::new();
    let first = tokio::spawn(serve(plant(OLD_ID, OLD_PV), at, before.clone()));
    let service = Service::start(&dir.path().join("site.toml"), &[]).unwrap();
    until("the old device is read", || has(&service, "PT-1", OLD_PV));
    assert_eq!(
        get(&service, "loops/PT-1/baselines")["baselines"],
        json!([])
    );

    // The device is exchanged: same gateway, tag and channel, another identity, range and value.
    before.cancel();
    first.await.unwrap();
    let after = CancellationToken::new();
    tokio::spawn(serve(plant(NEW_ID, NEW_PV), at, after.clone()));
    until("the new device is a loop of its own", || {
        has(&service, "PT-1~0000A2", NEW_PV)
    });
    let shown = loops(&service);
    let newcomer = shown.iter().find(|l| l["tag"] == "PT-1~0000A2").unwrap();
    assert_eq!(newcomer["confirmed"], false);
    assert_eq!(newcomer["device_id"], "0x0000A2");
    let gateway = get(&service, "gateways");
    let named = gateway["gateways"][0]["last_error"].as_str().unwrap_or("-");
    assert!(
        named.contains("0000A2") && named.contains("PT-1"),
        "{named}"
    );
    // Until a person says so, nothing of the new device is under the old one's tag.
    assert!(values(&service, "PT-1").iter().all(|v| *v == OLD_PV));
    assert_eq!(
        get(&service, "loops/PT-1/baselines")["baselines"],
        json!([])
    );

    let body = json!({ "replaces": "PT-1", "by": "A. Roca", "why": "diaphragm burst" });
    let mut answer = ureq::post(&format!("{}api/v1/loops/PT-1~0000A2/replaces", service.url))
        .header("content-type", "application/json")
        .send(body.to_string())
        .unwrap();
    assert_eq!(answer.status().as_u16(), 201);
    let done: Value = serde_json::from_str(&answer.body_mut().read_to_string().unwrap()).unwrap();
    assert_eq!(done["loop"]["device_id"], "0x0000A2");
    // The register's range stands; that the device's is another is said.
    assert_eq!(
        done["differs"],
        json!([{ "column": "urv", "before": "10", "after": "12" }])
    );

    until("the loop is read with the new device", || {
        has(&service, "PT-1", NEW_PV)
    });
    let list = get(&service, "loops/PT-1/baselines");
    let baselines = list["baselines"].as_array().unwrap();
    assert_eq!(baselines.len(), 1, "{list}");
    assert_eq!(baselines[0]["reason"], "replaced");
    assert_eq!(baselines[0]["own_tag"], "PT-1~0000A2");
    assert_eq!(
        (&baselines[0]["by"], &baselines[0]["why"]),
        (&json!("A. Roca"), &json!("diaphragm burst"))
    );
    assert_eq!(list["counts_from"], baselines[0]["from"]);
    // History stays: the old device's values, then the new one's, never between them.
    let read = values(&service, "PT-1");
    let turn = read.iter().position(|v| *v == NEW_PV).unwrap();
    assert!(turn > 0 && read[..turn].iter().all(|v| *v == OLD_PV));
    assert!(read[turn..].iter().all(|v| *v == NEW_PV), "{read:?}");
    let own = loops(&service);
    let newcomer = own.iter().find(|l| l["tag"] == "PT-1~0000A2").unwrap();
    assert_eq!(newcomer["retired"], true);
    // From then on its own loop gets no row, and the neighbour never knew.
    let rows = values(&service, "PT-1~0000A2").len();
    let more = values(&service, "PT-1").len();
    until("three more rows", || {
        values(&service, "PT-1").len() >= more + 3
    });
    assert_eq!(values(&service, "PT-1~0000A2").len(), rows);
    assert!(values(&service, "PT-9").iter().all(|v| *v == 1.5));
    service.stop().unwrap();
    after.cancel();
}
