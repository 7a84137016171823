//! Reads that a site has to open by number: they make traffic on the loop, ask everybody, or tell what few need.

use core::ops::RangeInclusive;

/// The reads that can be opened, with the numbers of request data bytes that they may have.
///
/// 114 (caught variable) and 528, 529 (assignment list of a server) are reads too; no public source gives a layout that can
/// be relied on, so there is none here.
pub const OPTIONAL: [(u16, RangeInclusive<usize>); 24] = [
    (11, 6..=6),
    (21, 32..=32),
    (57, 0..=0),
    (60, 1..=1),
    (61, 0..=0),
    (62, 4..=4),
    (63, 1..=1),
    (70, 1..=1),
    (75, 3..=3),
    (76, 0..=0),
    (80, 1..=1),
    (81, 1..=1),
    (90, 0..=0),
    (91, 1..=1),
    (93, 1..=1),
    (101, 1..=1),
    (105, 0..=1),
    (110, 0..=0),
    (115, 1..=1),
    (515, 0..=0),
    (516, 0..=0),
    (518, 0..=0),
    (532, 5..=5),
    (534, 1..=1),
];

/// Request data lengths of a read that can be opened.
pub(super) fn lengths(number: u16) -> Option<RangeInclusive<usize>> {
    OPTIONAL
        .iter()
        .find(|(n, _)| *n == number)
        .map(|(_, lengths)| lengths.clone())
}

/// The number is no read that a site can open.
#[derive(Clone, Copy, PartialEq, Eq, Debug, thiserror::Error)]
pub enum NotOptional {
    #[error("command {number} is read without being opened; remove it")]
    Always { number: u16 },
    #[error("command {number} cannot be opened: no public source gives its layout")]
    NoLayout { number: u16 },
    #[error("command {number} is not a read that can be opened: this program never sends it")]
    Never { number: u16 },
}

/// Which of the [`OPTIONAL`] reads a site has opened.
#[derive(Clone, Copy, PartialEq, Eq, Debug, Default, Hash)]
pub struct OptIn(u32);

impl OptIn {
    /// None.
    pub const NONE: Self = Self(0);

    /// The reads with these numbers.
    ///
    /// # Errors
    /// For a number that is no read of the list.
    pub fn new(numbers: &[u16]) -> Result<Self, NotOptional> {
        let mut bits = 0;
        for number in numbers {
            let number = *number;
            bits |= match (place(number), number) {
                (Some(at), _) => 1 << at,
                (
                    None,
                    0..=3
                    | 7..=9
                    | 12..=16
                    | 20
                    | 33
                    | 48
                    | 50
                    | 54
                    | 74
                    | 84..=86
                    | 94
                    | 95
                    | 512
                    | 520
                    | 523,
                ) => {
                    return Err(NotOptional::Always { number });
                }
                (None, 114 | 528 | 529) => return Err(NotOptional::NoLayout { number }),
                _ => return Err(NotOptional::Never { number }),
            };
        }
        Ok(Self(bits))
    }

    /// Whether the read with this number is opened.
    pub fn has(self, number: u16) -> bool {
        place(number).is_some_and(|at| self.0 >> at & 1 == 1)
    }

    /// The opened numbers, rising.
    pub fn numbers(self) -> impl Iterator<Item = u16> {
        OPTIONAL
            .iter()
            .map(|(n, _)| *n)
            .filter(move |n| self.has(*n))
    }
}

fn place(number: u16) -> Option<usize> {
    OPTIONAL.iter().position(|(n, _)| *n == number)
}
