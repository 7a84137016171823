//! A whole run of the built program, seen from the wire: nothing but reads goes out.

mod site;

use loopwitness_tests::binary;
use loopwitness_tests::census::Asked;
use serde_json::Value;
use site::Site;
use std::collections::BTreeMap;
use std::path::Path;
use std::process::Command;
use std::time::Duration;

const LOOPS: u32 = 24;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn only_reads_pass_a_proxy_before_every_device() {
    let dir = tempfile::tempdir().unwrap();
    let (proxied, captured) = (dir.path().join("proxy.pcap"), dir.path().join("serve.pcap"));
    let site = Site::start(dir.path(), LOOPS, "5s", Some(&proxied))
        .await
        .unwrap();
    assert_eq!(site.gateways().len(), 4);
    let service = site
        .serve(&["--capture", captured.to_str().unwrap()])
        .unwrap();
    // Everything that the service does from its start: survey, introduction, fast and slow reads, statistics, analog.
    let twice = u64::from(2 * LOOPS);
    site.wait("two polls of each loop", Duration::from_secs(180), |r| {
        let each_once = [0, 15, 48]
            .iter()
            .all(|c| r.count(*c) >= u64::from(LOOPS) / 2);
        let analog = r.asked().keys().any(|a| matches!(a, Asked::Modbus { .. }));
        r.answers(3, 9) + r.answers(9, 9) >= twice
            && r.count(74) > 0
            && r.count(84) > 0
            && r.count(86) > 0
            && each_once
            && analog
    })
    .await
    .unwrap();
    assert!(
        ureq::get(&format!("{}api/v1/gateways", service.url))
            .call()
            .is_ok()
    );
    service.stop().unwrap();
    site.wait("closed sessions", Duration::from_secs(10), |r| {
        r.asked().contains_key(&Asked::Close)
    })
    .await
    .unwrap();

    assert_eq!(
        site.record.other_than_reads(),
        [],
        "{}",
        site.record.table()
    );
    assert_eq!(site.record.errors(), Vec::<String>::new());
    // What `serve --capture` wrote is what the proxy saw, message for message.
    site.record.flush().unwrap();
    let (theirs, ours) = (messages(&proxied), messages(&captured));
    assert!(ours.len() > 100, "{} messages", ours.len());
    let different: Vec<&String> = theirs
        .keys()
        .chain(ours.keys())
        .filter(|m| theirs.get(*m) != ours.get(*m))
        .collect();
    assert!(different.is_empty(), "{different:?}");
    // The loops are behind I/O systems, so the watch looked through the wrapper.
    let wrapped =
        |a: &Asked| matches!(a, Asked::Command { number: 3, wrappers, .. } if wrappers == &[77]);
    assert!(site.record.asked().keys().any(wrapped));
}

/// The messages of a capture file as `decode` reads it, and how often each is there; none is damaged.
fn messages(capture: &Path) -> BTreeMap<String, u32> {
    let out = Command::new(binary().unwrap())
        .args(["decode", "--format", "json"])
        .arg(capture)
        .output()
        .unwrap();
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let mut all = BTreeMap::new();
    for line in String::from_utf8(out.stdout).unwrap().lines() {
        let m: Value = serde_json::from_str(line).unwrap();
        assert!(
            !line.contains("\"error\":true") && m.get("missing_before").is_none(),
            "{line}"
        );
        *all.entry(m["bytes"].as_str().unwrap().to_owned())
            .or_insert(0) += 1;
    }
    all
}
