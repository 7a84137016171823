//! Configuration changes of devices that do not count them (revision 5): a checksum over what 13, 15 and 50 say stands
//! in for the counter.
//!
//! The checksum is of the content alone. So it moves when the configuration does, goes back when the configuration does,
//! and stays the same over a restart of the collector; only its steps mean something, not its size.

/// One part of the configuration.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
enum Part {
    #[default]
    Unread,
    /// The device does not know the command.
    Absent,
    Sum(u32),
}

/// What the parts said last.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default)]
pub(crate) struct Content {
    tag: Part,
    output: Part,
    assignments: Part,
}

/// The parts, by the command that reads them.
#[derive(Clone, Copy, PartialEq, Eq, Debug)]
pub(crate) enum Which {
    Tag,
    Output,
    Assignments,
}

impl Content {
    fn part(&mut self, which: Which) -> &mut Part {
        match which {
            Which::Tag => &mut self.tag,
            Which::Output => &mut self.output,
            Which::Assignments => &mut self.assignments,
        }
    }

    pub(crate) fn take(&mut self, which: Which, data: &[u8]) {
        *self.part(which) = Part::Sum(fnv_1a(OFFSET, data));
    }

    pub(crate) fn absent(&mut self, which: Which) {
        *self.part(which) = Part::Absent;
    }

    pub(crate) fn is_unread(mut self, which: Which) -> bool {
        *self.part(which) == Part::Unread
    }

    /// 16 bits in place of a counter, once every part was read or refused.
    pub(crate) fn counter(&self) -> Option<u16> {
        let mut sum = OFFSET;
        for part in [self.tag, self.output, self.assignments] {
            let bytes = match part {
                Part::Unread => return None,
                Part::Absent => 0u32.to_be_bytes(),
                Part::Sum(s) => s.to_be_bytes(),
            };
            sum = fnv_1a(sum, &bytes);
        }
        Some((sum >> 16) as u16 ^ sum as u16)
    }
}

const OFFSET: u32 = 0x811C_9DC5;

/// FNV-1a, 32 bits: part of what is stored, so written out here rather than left to a library's choice.
fn fnv_1a(start: u32, bytes: &[u8]) -> u32 {
    bytes
        .iter()
        .fold(start, |h, b| (h ^ u32::from(*b)).wrapping_mul(0x0100_0193))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn checksum_against_published_values() {
        // draft-eastlake-fnv, 32-bit FNV-1a: "", "a", "foobar" (from memory).
        for (text, sum) in [
            ("", 0x811C_9DC5),
            ("a", 0xE40C_292C),
            ("foobar", 0xBF9C_F968),
        ] {
            assert_eq!(fnv_1a(OFFSET, text.as_bytes()), sum);
        }
    }

    #[test]
    fn moves_with_the_content_only() {
        let mut c = Content::default();
        c.take(Which::Tag, &[1; 21]);
        c.take(Which::Output, &[2; 17]);
        assert_eq!(c.counter(), None);
        c.absent(Which::Assignments);
        let before = c.counter().unwrap();
        c.take(Which::Output, &[2; 17]);
        assert_eq!(c.counter(), Some(before));
        c.take(Which::Output, &[3; 17]);
        assert_ne!(c.counter(), Some(before));
        c.take(Which::Output, &[2; 17]);
        assert_eq!(c.counter(), Some(before));
    }
}
