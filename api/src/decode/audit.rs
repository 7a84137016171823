//! The answer to a read of a server's audit log (HCF_SPEC-85, version 2): who was connected, and whether anybody wrote.
//!
//! Order and widths of the fields are those of a public grammar. It does not say in what unit and from when the 64-bit
//! times count, so they are shown as numbers.

use super::sheet::{Sheet, Value};

/// Bits of the server status, bit 0 first.
const SERVER: [&str; 3] = [
    "syslog server not found",
    "connection to the syslog server failed",
    "syslog is not secured",
];
/// Bits of a session, bit 0 first.
const SESSION: [&str; 5] = [
    "writes occurred",
    "bad initialisation",
    "aborted",
    "timed out",
    "not secured",
];

/// Fields one after another; false once the bytes end within one.
struct Fields<'s, 'b> {
    sheet: &'s mut Sheet,
    at: usize,
    bytes: &'b [u8],
}

impl<'b> Fields<'_, 'b> {
    fn take(&mut self, len: usize) -> Option<(usize, &'b [u8])> {
        let (head, rest) = self.bytes.split_at_checked(len)?;
        let at = self.at;
        (self.at, self.bytes) = (at + len, rest);
        Some((at, head))
    }

    fn number(&mut self, len: usize, name: &'static str, label: &str) -> Option<u64> {
        let (at, bytes) = self.take(len)?;
        let number = bytes.iter().fold(0u64, |n, b| n << 8 | u64::from(*b));
        self.sheet.item(
            at,
            bytes,
            name,
            Value::Number(number),
            format!("{label} {number}"),
        );
        Some(number)
    }

    fn bits(&mut self, name: &'static str, label: &str, names: &[&str]) -> Option<u64> {
        let (at, bytes) = self.take(2)?;
        let number = bytes.iter().fold(0u64, |n, b| n << 8 | u64::from(*b));
        let set: Vec<String> = (0..16)
            .filter(|bit| number >> bit & 1 == 1)
            .map(|bit| match names.get(bit) {
                Some(name) => (*name).to_owned(),
                None => format!("bit {bit}"),
            })
            .collect();
        let set = if set.is_empty() {
            "nothing set".to_owned()
        } else {
            set.join(", ")
        };
        self.sheet.item(
            at,
            bytes,
            name,
            Value::Number(number),
            format!("{label}: {set}"),
        );
        Some(number)
    }

    fn address(&mut self, len: usize, name: &'static str, label: &str) -> Option<()> {
        let (at, bytes) = self.take(len)?;
        let text = match (<[u8; 4]>::try_from(bytes), <[u8; 16]>::try_from(bytes)) {
            (Ok(v4), _) => std::net::Ipv4Addr::from(v4).to_string(),
            (_, Ok(v6)) => std::net::Ipv6Addr::from(v6).to_string(),
            _ => return None,
        };
        self.sheet.item(
            at,
            bytes,
            name,
            Value::Text(text.clone()),
            format!("{label} {text}"),
        );
        Some(())
    }
}

pub(super) fn log(sheet: &mut Sheet, base: usize, bytes: &[u8]) {
    let mut f = Fields {
        sheet,
        at: base,
        bytes,
    };
    let whole = head(&mut f).is_some_and(|(count, size)| {
        (0..count).all(|n| {
            let from = f.at;
            let fits = record(&mut f, n).is_some();
            let used = f.at - from;
            // A longer record of a newer server: its tail is not known.
            if fits && let Some((at, rest)) = f.take(size.saturating_sub(used)) {
                if !rest.is_empty() {
                    f.sheet.item(at, rest, "data", Value::None, "not explained");
                }
                true
            } else {
                false
            }
        })
    });
    let (at, rest) = (f.at, f.bytes);
    if !whole {
        f.sheet.error(at, rest, "the audit log ends within a field");
    } else if !rest.is_empty() {
        f.sheet.item(
            at,
            rest,
            "after_log",
            Value::None,
            "after the log, not explained",
        );
    }
}

/// Number of records and the bytes of each.
fn head(f: &mut Fields<'_, '_>) -> Option<(u64, usize)> {
    f.number(1, "first_record", "first record")?;
    let count = f.number(1, "records", "records")?;
    f.number(8, "power_up_time", "power-up time")?;
    f.number(8, "last_security_change", "last change of security")?;
    f.bits("server_status", "server status", &SERVER)?;
    let size = f.number(2, "record_size", "bytes of a record")?;
    Some((count, usize::try_from(size).unwrap_or(usize::MAX)))
}

fn record(f: &mut Fields<'_, '_>, n: u64) -> Option<()> {
    f.address(4, "client_ipv4", &format!("record {n}: client"))?;
    f.address(16, "client_ipv6", "client")?;
    f.number(2, "client_port", "client port")?;
    f.number(2, "server_port", "server port")?;
    f.number(8, "connected_at", "connect time")?;
    f.number(8, "disconnected_at", "disconnect time")?;
    f.bits("session_flags", "session", &SESSION)?;
    let start = f.number(2, "start_changes", "configuration changes at the start")?;
    let end = f.number(2, "end_changes", "configuration changes at the end")?;
    if start != end
        && let Some(last) = f.sheet.last_mut()
    {
        last.text += ": the configuration changed in this session";
    }
    f.number(4, "published", "messages published")?;
    f.number(4, "requests", "requests")?;
    f.number(4, "responses", "responses")?;
    Some(())
}

#[cfg(test)]
mod tests {
    use super::super::explain;

    /// A log of one session, by hand from the field widths; `writes`: flag and changed counter.
    fn answer(writes: bool) -> Vec<u8> {
        let mut body = vec![0, 1];
        body.extend(1_000u64.to_be_bytes());
        body.extend(2_000u64.to_be_bytes());
        body.extend([0, 4, 0, 58]);
        body.extend([192, 0, 2, 7]);
        body.extend([0; 16]);
        body.extend([0x9C, 0x40, 0x13, 0xE6]);
        body.extend(1_100u64.to_be_bytes());
        body.extend(1_900u64.to_be_bytes());
        body.extend([0, u8::from(writes), 0, 17, 0, 17 + u8::from(writes)]);
        for n in [5u32, 300, 299] {
            body.extend(n.to_be_bytes());
        }
        let [hi, lo] = (body.len() as u16 + 8).to_be_bytes();
        [&[2, 1, 5, 0, 0, 9, hi, lo][..], &body].concat()
    }

    #[test]
    fn every_byte_of_a_log_is_explained() {
        let bytes = answer(false);
        let piece = explain(&bytes).unwrap().remove(0);
        assert_eq!(piece.errors().count(), 0, "{}", piece.text());
        let shown: usize = piece.items.iter().map(|i| i.bytes.len()).sum();
        assert_eq!(shown, bytes.len());
        let text = piece.text();
        for wanted in [
            "client 192.0.2.7",
            "session: nothing set",
            "requests 300",
            "syslog is not secured",
        ] {
            assert!(text.contains(wanted), "{wanted}: {text}");
        }
        let text = explain(&answer(true)).unwrap().remove(0).text();
        assert!(
            text.contains("writes occurred")
                && text.contains("the configuration changed in this session"),
            "{text}"
        );
    }

    #[test]
    fn a_log_that_is_cut_is_said_to_be() {
        let mut bytes = answer(false);
        bytes.truncate(60);
        bytes[7] = 60;
        let piece = explain(&bytes).unwrap().remove(0);
        assert!(
            piece.text().contains("the audit log ends within a field"),
            "{}",
            piece.text()
        );
    }
}
