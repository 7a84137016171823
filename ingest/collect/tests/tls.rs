//! HART-IP version 2 against a TLS server that is not ours: `openssl s_server` with a pre-shared key. In front of it stands
//! only what it does not know: a few lines that answer the session initiate in the clear. Decrypted requests come out of
//! its standard output, answers go into its standard input.

#[allow(
    dead_code,
    unused_imports,
    reason = "shared with the collector's other tests"
)]
mod common;

use common::*;
use ingest_collect::*;
use std::io::{Read, Write};
use std::net::SocketAddr;
use std::process::{Child, ChildStdin, ChildStdout, Command, Stdio};
use std::sync::Arc;
use std::time::Duration;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio_util::sync::CancellationToken;

const KEY: &str = "6a09e667f3bcc908b2fb1366ea957d3e";
const OTHER: &str = "3c6ef372fe94f82ba54ff53a5f1d36f1";

/// Ends with its test.
struct Server(Child);

impl Drop for Server {
    fn drop(&mut self) {
        // It may have ended by itself.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// `openssl s_server` on a free port of loopback.
async fn s_server(suite: &str) -> (Server, SocketAddr) {
    let port = std::net::TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap();
    let child = Command::new("openssl")
        .args(["s_server", "-quiet", "-nocert", "-tls1_2", "-naccept", "1"])
        .args(["-accept", &port.to_string(), "-cipher", suite])
        .args(["-psk", KEY, "-psk_identity", "loopwitness"])
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program openssl");
    let child = Server(child);
    // A connection would use up the one it accepts: its listening is seen in the kernel's table.
    let wanted = format!(":{:04X} ", port.port());
    for _ in 0..500 {
        let table = std::fs::read_to_string("/proc/net/tcp").unwrap_or_default();
        if table
            .lines()
            .any(|l| l.contains(&wanted) && l.contains(" 0A "))
        {
            return (child, port);
        }
        tokio::time::sleep(Duration::from_millis(10)).await;
    }
    panic!("openssl s_server does not listen");
}

/// Answers the session initiate in the clear with this version; all that follows goes to `to` and back.
async fn in_front(to: Option<SocketAddr>, version: u8) -> SocketAddr {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    tokio::spawn(async move {
        while let Ok((mut host, _)) = listener.accept().await {
            let mut initiate = [0; 13];
            if host.read_exact(&mut initiate).await.is_err() {
                continue;
            }
            assert_eq!(initiate[..3], [2, 0, 0], "version 2, request, initiate");
            let mut answer = initiate;
            (answer[0], answer[1]) = (version, 1);
            host.write_all(&answer).await.unwrap();
            match to {
                Some(to) => {
                    let mut server = TcpStream::connect(to).await.unwrap();
                    let _ = tokio::io::copy_bidirectional(&mut host, &mut server).await;
                }
                None => {
                    let mut rest = Vec::new();
                    let _ = host.read_to_end(&mut rest).await;
                    assert!(rest.is_empty(), "nothing is said in the clear: {rest:02x?}");
                }
            }
        }
    });
    address
}

/// The gateway behind the TLS server: decrypted requests in, answers out.
fn answer(mut out: ChildStdout, mut input: ChildStdin) {
    let mut b = Behaviour::default();
    b.devices.push(Sim::new(0, 1, "FT-1", 2.5, 8.0));
    loop {
        let mut head = [0; 8];
        if out.read_exact(&mut head).is_err() {
            return;
        }
        let [version, kind, id, _, s1, s0, c1, c0] = head;
        assert_eq!(
            (version, kind),
            (2, 0),
            "a request of version 2: {head:02x?}"
        );
        let mut body = vec![0; usize::from(u16::from_be_bytes([c1, c0])) - 8];
        out.read_exact(&mut body).unwrap();
        let answer = match id {
            3 => b.answer(&body),
            _ => Some(Vec::new()),
        };
        if let Some(answer) = answer {
            let [c1, c0] = (answer.len() as u16 + 8).to_be_bytes();
            let mut m = vec![2, 1, id, 0, s1, s0, c1, c0];
            m.extend(answer);
            if input.write_all(&m).and_then(|()| input.flush()).is_err() {
                return;
            }
        }
    }
}

fn collect(address: SocketAddr, key: &str) -> Site {
    let mut g = GatewayConfig::new("GW-1", &address.to_string());
    g.poll_every = Duration::from_millis(200);
    g.timeout = Duration::from_secs(2);
    g.master = MasterChoice::Primary;
    g.psk = Some(Psk::new("loopwitness", key).unwrap());
    let rows = Arc::new(Rows::default());
    let stop = CancellationToken::new();
    let parts = CollectorParts {
        gateways: vec![g],
        analog: vec![],
        directory: Arc::new(StaticDirectory::new(vec![known("FT-1", "bar", Some(1))])),
        sink: rows.clone(),
    };
    Site {
        collector: Collector::start(parts, stop.clone()),
        rows,
        stop,
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn polls_through_openssl_with_each_suite() {
    for suite in [
        "PSK-AES128-GCM-SHA256",
        "PSK-AES128-CCM",
        "PSK-AES128-CBC-SHA256",
    ] {
        let (mut child, server) = s_server(suite).await;
        let address = in_front(Some(server), 2).await;
        let site = collect(address, KEY);
        let (out, input) = (child.0.stdout.take(), child.0.stdin.take());
        let gateway = std::thread::spawn(move || answer(out.unwrap(), input.unwrap()));
        site.until(suite, |s| {
            let rows = s.rows.of("FT-1");
            rows.iter()
                .filter(|r| r.pv == 2.5 && r.reported_ma == 8.0)
                .count()
                >= 3
        })
        .await;
        let s = site.status();
        assert!(s.connected && s.failures.refused == 0, "{s:?}");
        site.stop.cancel();
        site.collector.stop().await;
        drop(child);
        gateway.join().unwrap();
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn another_key_is_a_refusal_that_names_no_key() {
    let (_child, server) = s_server("PSK-AES128-GCM-SHA256").await;
    let address = in_front(Some(server), 2).await;
    let site = collect(address, OTHER);
    site.until("a refusal", |s| s.status().failures.refused > 0)
        .await;
    let said = site.status().last_error.unwrap();
    assert!(
        said.contains("no TLS with") && said.contains("loopwitness"),
        "{said}"
    );
    assert!(!said.contains(OTHER) && !said.contains(KEY), "{said}");
    site.stop.cancel();
    site.collector.stop().await;
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_server_without_security_is_not_spoken_to() {
    let address = in_front(None, 1).await;
    let site = collect(address, KEY);
    site.until("a refusal", |s| {
        let said = s.status().last_error.unwrap_or_default();
        said.contains("answers without security")
    })
    .await;
    site.stop.cancel();
    site.collector.stop().await;
}
