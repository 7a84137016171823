//! Timing of the FSK line: characters, exchanges, rates (HCF_SPEC-54, HCF_SPEC-81).
//!
//! 1200 bit/s, 11 bits a character (start, 8 data, odd parity, stop): 9.167 ms.

/// Microseconds a character, rounded up only when shown.
pub const CHARACTER_US: f64 = 11.0e6 / 1200.0;
/// Link grant of a master after its own exchange (RT2), characters.
pub const RT2_CHARACTERS: u32 = 8;
/// Longest wait of a device before it starts to answer (STO), characters.
pub const STO_CHARACTERS: u32 = 28;
/// Wait of the primary master for an answer (RT1), characters.
pub const RT1_PRIMARY_CHARACTERS: u32 = 33;
/// Wait of the secondary master for an answer (RT1), characters.
pub const RT1_SECONDARY_CHARACTERS: u32 = 41;
/// Preambles that are usual in both directions; devices may ask for up to 20.
pub const USUAL_PREAMBLES: u32 = 5;

/// Duration of a number of characters, ms.
pub fn characters_ms(characters: u32) -> f64 {
    f64::from(characters) * CHARACTER_US / 1000.0
}

/// How one exchange looks on the wire.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub struct Exchange {
    pub preambles: u32,
    /// Unique address (5 bytes) rather than polling address (1 byte).
    pub long_address: bool,
    /// Data bytes of the request.
    pub request_data: u32,
    /// Data bytes of the answer, without the status pair.
    pub answer_data: u32,
}

impl Exchange {
    /// Long address, five preambles.
    pub fn usual(request_data: u32, answer_data: u32) -> Self {
        Self {
            preambles: USUAL_PREAMBLES,
            long_address: true,
            request_data,
            answer_data,
        }
    }

    fn frame(&self, payload: u32) -> u32 {
        // Delimiter, address, command, byte count, payload, check byte.
        self.preambles + 1 + if self.long_address { 5 } else { 1 } + 2 + payload + 1
    }

    pub fn request_characters(&self) -> u32 {
        self.frame(self.request_data)
    }

    pub fn answer_characters(&self) -> u32 {
        self.frame(self.answer_data + 2)
    }

    /// Request and answer, without waits.
    pub fn characters(&self) -> u32 {
        self.request_characters() + self.answer_characters()
    }

    /// Request, prompt answer and link grant, ms: the fastest a fair master gets.
    pub fn fair_ms(&self) -> f64 {
        characters_ms(self.characters() + RT2_CHARACTERS)
    }

    /// The same with a device that answers as late as it may, ms.
    pub fn slowest_ms(&self) -> f64 {
        characters_ms(self.characters() + STO_CHARACTERS + RT2_CHARACTERS)
    }
}

/// Exchange of a read at its usual full answer length.
pub fn usual_exchange(command: u16) -> Exchange {
    let (request, answer) = match command {
        0 => (0, 22),
        1 => (0, 5),
        2 => (0, 8),
        3 => (0, 24),
        7 => (0, 2),
        8 => (0, 4),
        9 => (4, 37),
        12 => (0, 24),
        13 => (0, 21),
        14 => (0, 16),
        15 => (0, 18),
        16 => (0, 3),
        20 => (0, 32),
        33 => (4, 24),
        48 => (0, 25),
        50 => (0, 4),
        54 => (1, 28),
        57 => (0, 21),
        60 => (1, 10),
        61 => (0, 25),
        62 => (4, 24),
        63 => (1, 17),
        70 => (1, 18),
        76 => (0, 1),
        80 => (1, 10),
        81 => (1, 23),
        90 => (0, 15),
        91 => (1, 8),
        93 => (1, 75),
        95 => (0, 6),
        101 => (1, 3),
        105 => (1, 29),
        110 => (0, 20),
        115 => (1, 45),
        // Within 31: two bytes of number in both directions.
        512 => (2, 5),
        515 => (2, 3),
        516 => (2, 15),
        518 | 520 => (2, 34),
        523 => (4, 108),
        534 => (3, 10),
        _ => (2, 48),
    };
    Exchange::usual(request, answer)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(a: f64, b: f64) {
        assert!((a - b).abs() < 0.06, "{a} against {b}");
    }

    // 11 bits at 1200 bit/s; frame lengths of HCF_SPEC-81 with the data lengths of HCF_SPEC-127.
    #[test]
    fn check_values() {
        let c3 = usual_exchange(3);
        assert_eq!(
            (
                c3.request_characters(),
                c3.answer_characters(),
                c3.characters()
            ),
            (14, 40, 54)
        );
        close(characters_ms(14), 128.3);
        close(characters_ms(40), 366.7);
        close(characters_ms(c3.characters()), 495.0);
        close(c3.fair_ms(), 568.3);
        close(c3.slowest_ms(), 825.0);
        close(usual_exchange(2).fair_ms(), 421.7);
        close(characters_ms(usual_exchange(1).characters()), 320.8);
        close(usual_exchange(1).fair_ms(), 394.2);
        close(characters_ms(usual_exchange(9).characters()), 650.8);
        close(characters_ms(usual_exchange(48).characters()), 504.2);
        let c0 = Exchange {
            long_address: false,
            ..Exchange::usual(0, 22)
        };
        assert_eq!(c0.characters(), 44);
        close(characters_ms(c0.characters()), 403.3);
        close(characters_ms(RT1_PRIMARY_CHARACTERS), 302.5);
        close(characters_ms(RT1_SECONDARY_CHARACTERS), 375.8);
        close(characters_ms(STO_CHARACTERS), 256.7);
    }
}
