//! `loopwitness decode FILE` over capture files made by hand: order, repeats, holes, damage, and what is no capture.

use loopwitness_tests::binary;
use loopwitness_tests::pcap::{Capture, Way};
use serde_json::Value;
use std::net::SocketAddr;
use std::path::Path;
use std::process::{Command, Output};

/// A keep-alive request with this sequence number (HCF_SPEC-85).
fn keep_alive(n: u8) -> Vec<u8> {
    vec![1, 0, 2, 0, 0, n, 0, 8]
}

/// Command 0 by polling address, as in the standard's frame layout (constructed).
fn identity(n: u8) -> Vec<u8> {
    vec![1, 0, 3, 0, 0, n, 0, 13, 2, 0x80, 0, 0, 0x82]
}

fn ends() -> (SocketAddr, SocketAddr) {
    (
        "192.0.2.1:40000".parse().unwrap(),
        "192.0.2.2:5094".parse().unwrap(),
    )
}

fn run(path: &Path) -> Output {
    Command::new(binary().unwrap())
        .args(["decode", "--format", "json"])
        .arg(path)
        .output()
        .unwrap()
}

fn decode(file: &[u8]) -> Vec<Value> {
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("x.pcap");
    std::fs::write(&path, file).unwrap();
    let out = run(&path);
    assert!(
        out.status.success(),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    let text = String::from_utf8(out.stdout).unwrap();
    text.lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect()
}

fn sequences(found: &[Value]) -> Vec<u64> {
    let of = |m: &Value| {
        let items = m["items"].as_array().unwrap();
        items
            .iter()
            .find(|i| i["name"] == "sequence")
            .and_then(|i| i["value"].as_u64())
    };
    found.iter().filter_map(of).collect()
}

/// The packets of a file, its head first.
fn packets(file: &[u8]) -> Vec<Vec<u8>> {
    let mut out = vec![file[..24].to_vec()];
    let mut at = 24;
    while at < file.len() {
        let length = u32::from_le_bytes(file[at + 8..at + 12].try_into().unwrap()) as usize;
        out.push(file[at..at + 16 + length].to_vec());
        at += 16 + length;
    }
    out
}

/// A connection with these segments from the client, after the three packets of its handshake.
fn connection(segments: &[&[u8]]) -> Vec<u8> {
    let mut file = Vec::new();
    let mut c = Capture::new(&mut file).unwrap();
    let (client, server) = ends();
    let mut tcp = c.open(client, server).unwrap();
    for s in segments {
        c.data(&mut tcp, Way::ToServer, s).unwrap();
    }
    c.close(&mut tcp, Way::ToServer).unwrap();
    file
}

#[test]
fn joined_split_reordered_and_repeated_segments() {
    let all = [keep_alive(1), identity(2), keep_alive(3), identity(4)].concat();
    let file = connection(&[&all[..3], &all[3..12], &all[12..30], &all[30..]]);
    assert_eq!(sequences(&decode(&file)), [1, 2, 3, 4]);
    // Second and third segment change places; the third comes twice.
    let p = packets(&file);
    let order = [0, 1, 2, 3, 4, 6, 6, 5, 7, 8];
    let mixed: Vec<u8> = order.iter().flat_map(|n| p[*n].clone()).collect();
    let found = decode(&mixed);
    assert_eq!(sequences(&found), [1, 2, 3, 4]);
    assert!(found.iter().all(|m| {
        m["items"]
            .as_array()
            .unwrap()
            .iter()
            .all(|i| i["error"] == false)
    }));
}

#[test]
fn a_hole_is_located_and_reading_goes_on_behind_it() {
    let file = connection(&[
        &keep_alive(1),
        &identity(2),
        &[keep_alive(3), identity(4)].concat(),
    ]);
    let p = packets(&file);
    let without: Vec<u8> = [0, 1, 2, 3, 4, 6, 7]
        .iter()
        .flat_map(|n| p[*n].clone())
        .collect();
    let found = decode(&without);
    assert_eq!(sequences(&found), [1, 3, 4]);
    assert_eq!(found[1]["missing_before"], 13);
    assert!(found[0].get("missing_before").is_none());
}

#[test]
fn damage_on_a_stream_costs_one_message() {
    let mut bytes = [identity(1), identity(2), keep_alive(3)].concat();
    bytes[12] ^= 0x10;
    let found = decode(&connection(&[&bytes]));
    let damaged = |m: &Value| {
        m["items"]
            .as_array()
            .unwrap()
            .iter()
            .any(|i| i["error"] == true)
    };
    assert_eq!(
        found.iter().map(damaged).collect::<Vec<_>>(),
        [true, false, false]
    );
    // The version byte of the second: a run of bytes that is skipped, then the third.
    let mut bytes = [identity(1), identity(2), keep_alive(3)].concat();
    bytes[13] = 9;
    let found = decode(&connection(&[&bytes]));
    assert_eq!(
        found.iter().map(damaged).collect::<Vec<_>>(),
        [false, true, false]
    );
    assert_eq!(sequences(&found), [1, 3]);
}

#[test]
fn datagrams_and_other_protocols() {
    let mut file = Vec::new();
    let mut c = Capture::new(&mut file).unwrap();
    let (client, server) = ends();
    c.datagram(client, server, &[keep_alive(1), identity(2)].concat())
        .unwrap();
    // Answers of a server may come from the next port; a name look-up is none of ours.
    let other = SocketAddr::new(server.ip(), 5095);
    c.datagram(other, client, &[1, 1, 2, 0, 0, 1, 0, 8])
        .unwrap();
    let dns = SocketAddr::new(server.ip(), 53);
    c.datagram(client, dns, &[0x12, 0x34, 1, 0, 0, 1, 0, 0, 0, 0, 0, 0])
        .unwrap();
    let mut tcp = c.open(client, SocketAddr::new(server.ip(), 502)).unwrap();
    c.data(
        &mut tcp,
        Way::ToServer,
        &[0, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, 2],
    )
    .unwrap();
    let found = decode(&file);
    assert_eq!(sequences(&found), [1, 2, 1]);
    assert_eq!(found[0]["transport"], "udp");
}

#[test]
fn pcapng_is_read_and_what_is_no_capture_is_said_so() {
    // Section, interface (Ethernet, nanoseconds), one enhanced packet (draft-ietf-opsawg-pcapng).
    let block = |kind: u32, body: &[u8]| {
        let mut body = body.to_vec();
        body.resize(body.len().next_multiple_of(4), 0);
        let length = (12 + body.len()) as u32;
        [
            &kind.to_le_bytes()[..],
            &length.to_le_bytes(),
            &body,
            &length.to_le_bytes(),
        ]
        .concat()
    };
    let mut one = Vec::new();
    let (client, server) = ends();
    Capture::new(&mut one)
        .unwrap()
        .datagram(client, server, &identity(7))
        .unwrap();
    let packet = &one[40..];
    let section = [
        &0x1A2B_3C4D_u32.to_le_bytes()[..],
        &[1, 0, 0, 0],
        &[0xFF; 8],
    ]
    .concat();
    let interface = [
        &[1, 0, 0, 0, 0, 0, 0, 0][..],
        &[9, 0, 1, 0, 9, 0, 0, 0],
        &[0; 4],
    ]
    .concat();
    let ns = 1_772_323_200_000_000_000_u64;
    let length = (packet.len() as u32).to_le_bytes();
    let enhanced = [
        &[0; 4][..],
        &((ns >> 32) as u32).to_le_bytes(),
        &(ns as u32).to_le_bytes(),
        &length,
        &length,
        packet,
    ]
    .concat();
    let file = [
        block(0x0A0D_0D0A, &section),
        block(1, &interface),
        block(6, &enhanced),
    ]
    .concat();
    let found = decode(&file);
    assert_eq!(sequences(&found), [7]);
    assert!(
        found[0]["time"]
            .as_str()
            .unwrap()
            .starts_with("2026-03-01T00:00:00"),
        "{}",
        found[0]["time"]
    );

    // Cut anywhere, it is read as far as it goes or refused, and never more than that.
    let dir = tempfile::tempdir().unwrap();
    let path = dir.path().join("x.pcapng");
    for end in (0..file.len()).step_by(7) {
        std::fs::write(&path, &file[..end]).unwrap();
        let out = run(&path);
        assert!(
            matches!(out.status.code(), Some(0 | 1)) && out.stdout.is_empty(),
            "{end}"
        );
    }
    std::fs::write(&path, "tag,pv_unit\n").unwrap();
    let out = run(&path);
    let said = String::from_utf8_lossy(&out.stderr);
    assert_eq!(out.status.code(), Some(1));
    assert!(
        said.contains("no capture file") && said.lines().count() == 1,
        "{said}"
    );
}
