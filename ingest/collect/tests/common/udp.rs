//! The tiny gateway over UDP: answers from another port, loses, doubles and swaps them as told.

use super::{Behaviour, Shared};
use std::net::SocketAddr;
use std::sync::{Arc, Mutex};
use tokio::net::UdpSocket;

/// Starts a gateway over UDP that answers from a second port, as real ones do.
pub(crate) async fn udp_gateway(behaviour: Behaviour) -> (SocketAddr, Shared) {
    let first = UdpSocket::bind("127.0.0.1:0").await.unwrap();
    let second = UdpSocket::bind("127.0.0.1:0").await.unwrap();
    let foreign = UdpSocket::bind("127.0.0.2:0").await.unwrap();
    let address = first.local_addr().unwrap();
    let shared = Arc::new(Mutex::new(behaviour));
    let s = Arc::clone(&shared);
    tokio::spawn(async move {
        let (mut held, mut answers) = (None::<Vec<u8>>, 0u32);
        let (mut a, mut b) = ([0u8; 2_048], [0u8; 2_048]);
        loop {
            let (bytes, from, port) = tokio::select! {
                got = first.recv_from(&mut a) => { let (n, from) = got.unwrap(); (a[..n].to_vec(), from, 0) }
                got = second.recv_from(&mut b) => { let (n, from) = got.unwrap(); (b[..n].to_vec(), from, 1) }
            };
            let (out, wrong, delay) = {
                let mut g = s.lock().unwrap();
                g.at_ports[port] += 1;
                let Some(reply) = g.reply(&bytes[..8], &bytes[8..]) else {
                    continue;
                };
                answers += 1;
                let mut out = vec![reply.clone()];
                if g.double {
                    out.push(reply.clone());
                }
                if bytes[2] == 3 && g.lose > 0 && answers.is_multiple_of(g.lose) {
                    out.clear();
                }
                if bytes[2] == 3 && g.swap {
                    match held.take() {
                        Some(before) => out.push(before),
                        None => held = out.pop(),
                    }
                }
                // The same answer with other values and a check byte that is right.
                let wrong = g.foreign.then(|| {
                    let mut w = reply.clone();
                    if w.len() > 40 {
                        let n = w.len() - 1;
                        w[n - 2] ^= 0x3F;
                        w[n] ^= 0x3F;
                    }
                    w
                });
                (out, wrong, g.delay)
            };
            tokio::time::sleep(delay).await;
            if let Some(w) = wrong {
                foreign.send_to(&w, from).await.unwrap();
            }
            for o in out {
                second.send_to(&o, from).await.unwrap();
            }
        }
    });
    (address, shared)
}
