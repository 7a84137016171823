//! A whole run of the built program, seen from the wire: nothing but reads goes out.

mod site;

use loopwitness_tests::census::Asked;
use site::Site;
use std::time::Duration;

const LOOPS: u32 = 24;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn only_reads_pass_a_proxy_before_every_device() {
    let dir = tempfile::tempdir().unwrap();
    let site = Site::start(dir.path(), LOOPS, "5s", None).await.unwrap();
    assert_eq!(site.gateways().len(), 4);
    let service = site.serve(&[]).unwrap();
    // Everything that the service does from its start: survey, introduction, fast and slow reads, statistics, analog.
    let twice = u64::from(2 * LOOPS);
    site.wait("two polls of each loop", Duration::from_secs(180), |r| {
        let each_once = [0, 15, 48]
            .iter()
            .all(|c| r.count(*c) >= u64::from(LOOPS) / 2);
        let analog = r.asked().keys().any(|a| matches!(a, Asked::Modbus { .. }));
        r.answers(3, 9) >= twice
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
    // The loops are behind I/O systems, so the watch looked through the wrapper.
    let wrapped =
        |a: &Asked| matches!(a, Asked::Command { number: 3, wrappers, .. } if wrappers == &[77]);
    assert!(site.record.asked().keys().any(wrapped));
}
