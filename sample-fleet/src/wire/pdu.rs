//! Token-passing frames as the answering side sees them (HCF_SPEC-81): a request is read, an answer is written.

/// Longest data field of an answer beside its two status bytes.
const MAX_DATA: usize = 253;
/// Delimiters of requests: start of message from a master, short and long address.
const STX_SHORT: u8 = 0x02;
const STX_LONG: u8 = 0x82;
/// What makes an answer's delimiter out of a request's.
const STX_TO_ACK: u8 = 0x04;
/// Longitudinal parity error: the check byte was wrong (first status byte, bit 7 and bit 3).
pub(crate) const PARITY_ERROR: u8 = 0x88;

/// Result of a command: response code and data; a communication error has code 0x80 or above.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Body {
    pub code: u8,
    pub data: Vec<u8>,
}

impl Body {
    pub(crate) fn ok(data: Vec<u8>) -> Self {
        Self { code: 0, data }
    }

    pub(crate) fn error(code: u8) -> Self {
        Self {
            code,
            data: Vec::new(),
        }
    }
}

/// A request's fields. The address keeps its master bit, since answers echo it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Asked {
    delimiter: u8,
    /// One or five bytes.
    address: Vec<u8>,
    pub command: u8,
    pub data: Vec<u8>,
}

impl Asked {
    /// Reads delimiter to data. `None`: not a request, or cut short. The rest of the bytes comes back beside it.
    pub(crate) fn parse(bytes: &[u8]) -> Option<(Self, &[u8])> {
        let (&delimiter, rest) = bytes.split_first()?;
        let address_len = match delimiter {
            STX_SHORT => 1,
            STX_LONG => 5,
            _ => return None,
        };
        let (address, rest) = rest.split_at_checked(address_len)?;
        let [command, count, rest @ ..] = rest else {
            return None;
        };
        let (data, rest) = rest.split_at_checked(usize::from(*count))?;
        let asked = Self {
            delimiter,
            address: address.to_vec(),
            command: *command,
            data: data.to_vec(),
        };
        Some((asked, rest))
    }

    /// Polling address of a short request.
    pub(crate) fn polling(&self) -> Option<u8> {
        match self.address.as_slice() {
            [a] => Some(a & 0x3F),
            _ => None,
        }
    }

    /// Whether a long request is for this device: the low 38 bits decide.
    pub(crate) fn is_for(&self, device_type: u16, device_id: u32) -> bool {
        let [high, low] = device_type.to_be_bytes();
        let [_, a, b, c] = device_id.to_be_bytes();
        match self.address.as_slice() {
            [m, rest @ ..] => m & 0x3F == high & 0x3F && rest == [low, a, b, c],
            [] => false,
        }
    }

    /// Delimiter to data of the answer, without check byte: the form inside command 77.
    pub(crate) fn answer(&self, body: &Body, device_status: u8) -> Vec<u8> {
        let data = body.data.get(..MAX_DATA).unwrap_or(&body.data);
        let mut out = Vec::with_capacity(12 + data.len());
        out.push(self.delimiter | STX_TO_ACK);
        out.extend_from_slice(&self.address);
        out.push(self.command);
        out.push(u8::try_from(2 + data.len()).unwrap_or(u8::MAX));
        out.push(body.code);
        // A communication error has no device status.
        out.push(if body.code >= 0x80 { 0 } else { device_status });
        out.extend_from_slice(data);
        out
    }

    /// The whole answer with its check byte: the form on HART-IP.
    pub(crate) fn answer_checked(&self, body: &Body, device_status: u8) -> Vec<u8> {
        let mut out = self.answer(body, device_status);
        out.push(check(&out));
        out
    }

    /// Characters of this request on the pair: preambles, fields, check byte.
    pub(crate) fn characters(&self, preambles: u8) -> u32 {
        let fields = 1 + self.address.len() + 2 + self.data.len() + 1;
        u32::from(preambles) + u32::try_from(fields).unwrap_or(u32::MAX)
    }
}

/// A burst message of a device, long address: master bit (it alternates) and burst bit set above the type's six bits.
pub(crate) fn burst(
    device_type: u16,
    device_id: u32,
    primary: bool,
    command: u8,
    body: &Body,
    device_status: u8,
) -> Vec<u8> {
    let [high, low] = device_type.to_be_bytes();
    let [_, a, b, c] = device_id.to_be_bytes();
    let master = if primary { 0x80 } else { 0 };
    let data = body.data.get(..MAX_DATA).unwrap_or(&body.data);
    let mut out = vec![0x81, high & 0x3F | master | 0x40, low, a, b, c, command];
    out.push(u8::try_from(2 + data.len()).unwrap_or(u8::MAX));
    out.extend_from_slice(&[body.code, device_status]);
    out.extend_from_slice(data);
    out.push(check(&out));
    out
}

/// XOR of all bytes.
pub(crate) fn check(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0, |x, b| x ^ b)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn request_and_answer_by_hand() {
        // Command 3 to type 0x6A31, id 0B1C2D from the primary master; check byte as on the wire.
        let bytes = [0x82, 0xAA, 0x31, 0x0B, 0x1C, 0x2D, 0x03, 0x00, 0x20];
        let (asked, rest) = Asked::parse(&bytes).unwrap();
        assert_eq!(rest, [0x20]);
        assert_eq!(check(&bytes), 0);
        assert!(asked.is_for(0x6A31, 0x0B1C2D) && !asked.is_for(0x6A31, 0x0B1C2E));
        assert_eq!(asked.polling(), None);
        // HCF_SPEC-81: 5 preambles and 9 bytes.
        assert_eq!(asked.characters(5), 14);
        let answer = asked.answer_checked(&Body::error(PARITY_ERROR), 0x40);
        assert_eq!(
            answer,
            [
                0x86, 0xAA, 0x31, 0x0B, 0x1C, 0x2D, 0x03, 0x02, 0x88, 0x00, 0xAE
            ]
        );
    }

    #[test]
    fn burst_by_hand() {
        // Command 3 as burst, master bit 1: address EA..., check byte C1 (the published frame collection of the tests).
        let data = [
            0x41, 0x40, 0, 0, 7, 0x40, 0x20, 0, 0, 0x20, 0x41, 0xAA, 0, 0, 0x27, 0x41, 0x40, 0, 0,
            0x39, 0x42, 0x48, 0, 0,
        ];
        let frame = burst(0x6A31, 0x0B_1C2D, true, 3, &Body::ok(data.to_vec()), 0);
        assert_eq!(frame[..8], [0x81, 0xEA, 0x31, 0x0B, 0x1C, 0x2D, 3, 26]);
        assert_eq!(frame.last(), Some(&0xC1));
    }

    #[test]
    fn foreign_bytes_are_no_request() {
        for bytes in [
            &[][..],
            &[0x82, 0xAA],
            &[0x86, 0x80, 0, 0, 0x06],
            &[0x02, 0x80, 0, 9, 1],
        ] {
            assert_eq!(Asked::parse(bytes), None);
        }
    }
}
