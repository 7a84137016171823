//! The whole service on a free port.

use crate::support::write_site;
use loopwitness::config::SiteConfig;
use std::path::Path;
use std::time::Duration;
use tokio_util::sync::CancellationToken;

pub(crate) fn config(dir: &Path) -> SiteConfig {
    let text = "[site]\nname = \"Small Works\"\nstore = \"store\"\nimport = \"site\"\n";
    SiteConfig::parse(text, &dir.join("site.toml")).unwrap()
}

pub(crate) fn get(address: std::net::SocketAddr, path: &str) -> Option<(u16, String)> {
    let agent: ureq::Agent = ureq::Agent::config_builder()
        .http_status_as_error(false)
        .build()
        .into();
    let mut response = agent.get(format!("http://{address}{path}")).call().ok()?;
    Some((
        response.status().as_u16(),
        response.body_mut().read_to_string().ok()?,
    ))
}

pub(crate) async fn wait_for(address: std::net::SocketAddr, path: &str) -> String {
    for _ in 0..1_200 {
        let asked = path.to_owned();
        let answer = tokio::task::spawn_blocking(move || get(address, &asked))
            .await
            .unwrap();
        if let Some((200, body)) = answer {
            return body;
        }
        tokio::time::sleep(Duration::from_millis(50)).await;
    }
    panic!("{path} never answered 200");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn imports_assesses_answers_and_refuses_a_second_holder() {
    let dir = tempfile::tempdir().unwrap();
    write_site(&dir.path().join("site"));
    let config = config(dir.path());
    let stop = CancellationToken::new();
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let running = {
        let (config, stop) = (config.clone(), stop.clone());
        tokio::spawn(async move { loopwitness::service::run(&config, listener, stop).await })
    };
    wait_for(address, "/readyz").await;
    assert!(
        wait_for(address, "/api/v1/attention")
            .await
            .contains("PT-102")
    );
    assert!(
        wait_for(address, "/api/openapi.json")
            .await
            .contains("\"3.1")
    );

    let second = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let refused = loopwitness::service::run(&config, second, CancellationToken::new())
        .await
        .unwrap_err();
    let message = format!("{refused:#}");
    assert!(
        message.contains("is held by") && message.contains("loopwitness serve"),
        "{message}"
    );

    stop.cancel();
    tokio::time::timeout(Duration::from_secs(20), running)
        .await
        .unwrap()
        .unwrap()
        .unwrap();
    // The lock is free again.
    let third = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let stopped = CancellationToken::new();
    stopped.cancel();
    loopwitness::service::run(&config, third, stopped)
        .await
        .unwrap();
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_register_that_cannot_be_taken_stops_the_start() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("loops.csv");
    std::fs::write(&file, "tag,pv_unit,lrv,urv\nFT-1,bar,0,0\n").unwrap();
    let config =
        SiteConfig::parse("[site]\nname = \"x\"\n", &dir.path().join("site.toml")).unwrap();
    let listener = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let failed = loopwitness::service::run(&config, listener, CancellationToken::new())
        .await
        .unwrap_err();
    let message = format!("{failed:#}");
    assert!(
        message.contains("loops.csv") && message.contains("line 2"),
        "{message}"
    );
}
