//! Gateway over loopback TCP and UDP, and analog inputs, with bytes written by hand.

use super::gateway::{Gateway, Port};
use super::{DeviceCard, DeviceState, Devices, analog};
use ingest_hart::Frame;
use ingest_hart::answer::{DynamicVariables, Embedded};
use ingest_hart::hartip::Message;
use ingest_model::UtcMicros;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream, UdpSocket};
use tokio_util::sync::CancellationToken;

/// Two devices on one modem; the second one never answers.
struct Two(Vec<DeviceCard>);

impl Devices for Two {
    fn gateways(&self) -> Vec<String> {
        vec!["GW-01".to_owned()]
    }

    fn cards(&self) -> &[DeviceCard] {
        &self.0
    }

    fn state(&self, index: usize, _: UtcMicros) -> DeviceState {
        DeviceState {
            pv: 2.5,
            sv: 21.25,
            loop_ma: 12.0,
            device_status: 0,
            extended_status: 0,
            config_counter: 17,
            answers: index == 0,
            exchange_fails: false,
        }
    }

    fn analog_ma(&self, index: usize, _: UtcMicros) -> f64 {
        [12.0, 0.0].get(index).copied().unwrap_or(0.0)
    }
}

fn two() -> Arc<Two> {
    let card = |tag: &str, channel, device_id| DeviceCard {
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
        urv: 5.0,
        transfer_code: 0,
        damping_s: 0.5,
        multidrop: false,
    };
    Arc::new(Two(vec![
        card("PT-1001A", 3, 0x0B_1C2D),
        card("PT-1001B", 4, 0x0B_1C2E),
    ]))
}

/// Half past: no second master on modem 0.
fn half_past() -> UtcMicros {
    UtcMicros(30 * 60_000_000)
}

struct Client {
    stream: TcpStream,
    gateway: Arc<Gateway>,
    stop: CancellationToken,
}

impl Client {
    async fn open() -> Self {
        let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
        let address = listener.local_addr().unwrap();
        let gateway = Arc::new(Gateway::new(0, two(), half_past));
        let stop = CancellationToken::new();
        tokio::spawn(Arc::clone(&gateway).run(Port::Tcp(listener), stop.clone()));
        let stream = TcpStream::connect(address).await.unwrap();
        let mut client = Self {
            stream,
            gateway,
            stop,
        };
        let opened = client
            .ask(&[1, 0, 0, 0, 0, 1, 0, 13, 1, 0, 0, 0x75, 0x30])
            .await;
        assert_eq!(opened, [1, 1, 0, 0, 0, 1, 0, 13, 1, 0, 0, 0x75, 0x30]);
        client
    }

    async fn ask(&mut self, bytes: &[u8]) -> Vec<u8> {
        self.stream.write_all(bytes).await.unwrap();
        let mut head = [0u8; 8];
        self.stream.read_exact(&mut head).await.unwrap();
        let mut body = vec![0u8; usize::from(u16::from_be_bytes([head[6], head[7]])) - 8];
        self.stream.read_exact(&mut body).await.unwrap();
        [&head[..], &body].concat()
    }

    /// A request from the primary master to the gateway (7B02, 00A001); the answer's code and data.
    async fn command(&mut self, command: u8, data: &[u8]) -> (u8, Vec<u8>) {
        let mut pdu = vec![
            0x82,
            0xBB,
            0x02,
            0x00,
            0xA0,
            0x01,
            command,
            data.len() as u8,
        ];
        pdu.extend_from_slice(data);
        pdu.push(pdu.iter().fold(0, |x, b| x ^ b));
        let mut message = vec![1, 0, 3, 0, 0, 9, 0, 8 + pdu.len() as u8];
        message.extend(pdu);
        let answer = self.ask(&message).await;
        let (message, length) = Message::parse(&answer).unwrap();
        assert_eq!((length, message.sequence), (answer.len(), 9));
        let (frame, _) = Frame::parse(message.body).unwrap();
        assert_eq!(frame.command, command);
        (frame.status().unwrap().first, frame.data().to_vec())
    }
}

impl Drop for Client {
    fn drop(&mut self) {
        self.stop.cancel();
    }
}

/// Card, channel, preambles, then the frame of a request without check byte.
fn to_device(channel: u8, id_low: u8, command: u8, data: &[u8]) -> Vec<u8> {
    let mut out = vec![0, channel, 5, 0x82, 0xAA, 0x31, 0x0B, 0x1C, id_low, command];
    out.push(data.len() as u8);
    out.extend_from_slice(data);
    out
}

#[tokio::test]
async fn session_list_and_wrapped_command_3() {
    let mut c = Client::open().await;
    assert_eq!(
        c.ask(&[1, 0, 2, 0, 0, 2, 0, 8]).await,
        [1, 1, 2, 0, 0, 2, 0, 8]
    );
    // Command 0 by polling address 0; 7B02, 00A001 and profile 4 come back.
    let own = c.ask(&[1, 0, 3, 0, 0, 3, 0, 13, 2, 0x80, 0, 0, 0x82]).await;
    assert_eq!(&own[8..16], [0x06, 0x80, 0, 24, 0, 0, 254, 0x7B]);
    assert_eq!(own.len(), 8 + 29);

    let (code, data) = c.command(74, &[]).await;
    assert_eq!((code, data), (0, vec![1, 5, 1, 0, 3, 2, 1, 2]));
    let (code, data) = c.command(84, &[0, 1]).await;
    assert_eq!(code, 0);
    assert_eq!(
        data[..12],
        [0, 1, 0, 3, 0, 250, 0x6A, 0x31, 0x0B, 0x1C, 0x2D, 7]
    );
    assert_eq!(data[12..21], *b"PT-1001A\0");
    assert_eq!(c.command(84, &[0, 3]).await, (2, vec![]));

    let before = c.command(86, &[0, 1]).await.1;
    let started = Instant::now();
    let (code, data) = c.command(77, &to_device(3, 0x2D, 3, &[])).await;
    // 14 characters there, 4 of thinking and 5 + 11 + 24 back: 532 ms.
    let took = started.elapsed();
    assert!((Duration::from_millis(420)..Duration::from_secs(3)).contains(&took));
    assert_eq!(code, 0);
    assert_eq!(
        data,
        [
            0, 3, 0x86, 0xAA, 0x31, 0x0B, 0x1C, 0x2D, 3, 26, 0, 0, 0x41, 0x40, 0, 0, 7, 0x40, 0x20,
            0, 0, 32, 0x41, 0xAA, 0, 0, 39, 0x41, 0x40, 0, 0, 57, 0x42, 0x48, 0, 0
        ]
    );
    let embedded = Embedded::decode(&data).unwrap();
    assert!(DynamicVariables::decode(embedded.frame.data()).is_ok());
    let after = c.command(86, &[0, 1]).await.1;
    let sent = |d: &[u8]| u16::from_be_bytes([d[2], d[3]]);
    assert_eq!(sent(&after).wrapping_sub(sent(&before)), 1);
}

#[tokio::test]
async fn writes_are_refused_and_counted() {
    let mut c = Client::open().await;
    // 40, fixed current, to the sub-device: its own refusal inside, the gateway's status in order.
    let (code, data) = c
        .command(77, &to_device(3, 0x2D, 40, &[0x41, 0x20, 0, 0]))
        .await;
    assert_eq!(code, 0);
    assert_eq!(data[8..], [40, 2, 7, 0]);
    // 87, master mode, to the gateway itself; 200, unknown.
    assert_eq!(c.command(87, &[0]).await, (7, vec![]));
    assert_eq!(c.command(200, &[]).await, (64, vec![]));
    assert_eq!(c.gateway.refused_writes(), 2);
}

#[tokio::test]
async fn silent_devices_and_wrong_places() {
    let mut c = Client::open().await;
    assert_eq!(
        c.command(77, &to_device(4, 0x2E, 3, &[])).await,
        (35, vec![])
    );
    assert_eq!(
        c.command(77, &to_device(9, 0x2D, 3, &[])).await,
        (22, vec![])
    );
    let mut elsewhere = to_device(3, 0x2D, 3, &[]);
    elsewhere[0] = 7;
    assert_eq!(c.command(77, &elsewhere).await, (21, vec![]));
    assert_eq!(c.command(77, &[0, 3]).await, (5, vec![]));
    // 77 inside 77.
    assert_eq!(
        c.command(77, &to_device(3, 0x2D, 77, &[0, 3])).await,
        (2, vec![])
    );
}

#[tokio::test]
async fn a_delayed_response_is_fetched_with_the_same_bytes() {
    let mut c = Client::open().await;
    let request = to_device(3, 0x2D, 1, &[]);
    c.gateway.delay_next();
    assert_eq!(c.command(77, &request).await, (33, vec![]));
    assert_eq!(c.command(77, &request).await, (34, vec![]));
    tokio::time::sleep(Duration::from_millis(1_000)).await;
    let (code, data) = c.command(77, &request).await;
    assert_eq!(code, 0);
    assert_eq!(data[8..], [1, 7, 0, 0, 7, 0x40, 0x20, 0, 0]);
}

#[tokio::test]
async fn a_full_modem_says_busy() {
    let mut c = Client::open().await;
    let mut pdu = vec![0x82, 0xBB, 0x02, 0x00, 0xA0, 0x01, 77];
    let data = to_device(3, 0x2D, 3, &[]);
    pdu.push(data.len() as u8);
    pdu.extend(data);
    pdu.push(pdu.iter().fold(0, |x, b| x ^ b));
    let mut all = Vec::new();
    for n in 0..40 {
        all.extend([1, 0, 3, 0, 0, n, 0, 8 + pdu.len() as u8]);
        all.extend_from_slice(&pdu);
    }
    // 32 wait, one is on the pair at most: of 40 at least seven are turned away, at once.
    let mut answer = c.ask(&all).await;
    for _ in 0..6 {
        assert_eq!(answer[16..18], [32, 0]);
        answer = c.ask(&[]).await;
    }
    assert_eq!(answer[16..18], [32, 0]);
}

#[tokio::test]
async fn sessions_over_udp() {
    let first = UdpSocket::bind("127.0.0.1:0").await.unwrap();
    let second = UdpSocket::bind("127.0.0.1:0").await.unwrap();
    let (address, answers_from) = (first.local_addr().unwrap(), second.local_addr().unwrap());
    let stop = CancellationToken::new();
    let gateway = Arc::new(Gateway::new(0, two(), half_past));
    tokio::spawn(gateway.run(Port::Udp { first, second }, stop.clone()));
    let mut buffer = [0u8; 2_048];
    let initiate = [1, 0, 0, 0, 0, 1, 0, 13, 1, 0, 0, 0x75, 0x30];
    let mut clients = Vec::new();
    for n in 0..5 {
        let client = UdpSocket::bind("127.0.0.1:0").await.unwrap();
        // Nothing without a session.
        client
            .send_to(&[1, 0, 2, 0, 0, 2, 0, 8], address)
            .await
            .unwrap();
        client.send_to(&initiate, address).await.unwrap();
        let (len, from) = client.recv_from(&mut buffer).await.unwrap();
        assert_eq!((len, from), (13, answers_from));
        // Four sessions there are; the fifth client hears that all are in use.
        assert_eq!(buffer[3], if n < 4 { 0 } else { 15 });
        clients.push(client);
    }
    let c = &clients[0];
    // Cut off: nothing. Then two messages in one datagram, to the port that answered.
    c.send_to(&[1, 0, 2, 0, 0, 7, 0, 9], answers_from)
        .await
        .unwrap();
    let two = [
        [1, 0, 2, 0, 0, 8, 0, 8].as_slice(),
        &[1, 0, 3, 0, 0, 3, 0, 13, 2, 0x80, 0, 0, 0x82],
    ];
    c.send_to(&two.concat(), answers_from).await.unwrap();
    let (len, _) = c.recv_from(&mut buffer).await.unwrap();
    assert_eq!(buffer[..len], [1, 1, 2, 0, 0, 8, 0, 8]);
    let (len, _) = c.recv_from(&mut buffer).await.unwrap();
    assert_eq!((len, &buffer[8..10]), (8 + 29, &[0x06, 0x80][..]));
    // A session that is closed makes room.
    c.send_to(&[1, 0, 1, 0, 0, 9, 0, 8], answers_from)
        .await
        .unwrap();
    c.recv_from(&mut buffer).await.unwrap();
    let last = &clients[4];
    for _ in 0..100 {
        last.send_to(&initiate, address).await.unwrap();
        last.recv_from(&mut buffer).await.unwrap();
        if buffer[3] == 0 {
            stop.cancel();
            return;
        }
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    panic!("no room after a session was closed");
}

#[tokio::test]
async fn analog_inputs_over_modbus() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let address = listener.local_addr().unwrap();
    let stop = CancellationToken::new();
    let served = tokio::spawn(analog::serve(listener, two(), half_past, stop.clone()));
    let mut stream = TcpStream::connect(address).await.unwrap();
    // Function 4, registers 0 and 1.
    stream
        .write_all(&[0, 1, 0, 0, 0, 6, 1, 4, 0, 0, 0, 2])
        .await
        .unwrap();
    let mut answer = [0u8; 13];
    stream.read_exact(&mut answer).await.unwrap();
    assert_eq!(answer, [0, 1, 0, 0, 0, 7, 1, 4, 4, 0x80, 0, 0, 0]);
    // Function 6, a write: illegal function.
    stream
        .write_all(&[0, 2, 0, 0, 0, 6, 1, 6, 0, 0, 0, 2])
        .await
        .unwrap();
    let mut refused = [0u8; 9];
    stream.read_exact(&mut refused).await.unwrap();
    assert_eq!(refused, [0, 2, 0, 0, 0, 3, 1, 0x86, 1]);
    // Beyond the last register: illegal address.
    stream
        .write_all(&[0, 3, 0, 0, 0, 6, 1, 4, 0, 1, 0, 2])
        .await
        .unwrap();
    stream.read_exact(&mut refused).await.unwrap();
    assert_eq!(refused, [0, 3, 0, 0, 0, 3, 1, 0x84, 2]);
    stop.cancel();
    served.await.unwrap();
}
