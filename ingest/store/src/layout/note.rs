//! What the column `layout` says of a loop's day, as bytes (little endian): version 1; first time, unit and period of the
//! times (8 each), whether by the grid (1); usual distance and unit of the analog times (8 each); for each of `pv sv tv qv
//! reported_ma analog_ma` its form (1; decimals: places and whether single, 1 each; steps: base and step, 8 each) and what
//! it is measured from (1; a line: offset and slope, 8 each).

use super::forms::{Form, From};
use super::times::{Beside, Grid};

const VERSION: u8 = 1;

#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Note {
    pub grid: Grid,
    pub beside: Beside,
    pub floats: [(Form, From); 6],
}

impl Note {
    pub(super) fn to_bytes(self) -> Vec<u8> {
        let mut out = vec![VERSION];
        let grid = self.grid;
        for n in [grid.first_us, grid.unit_us, grid.period] {
            out.extend(n.to_le_bytes());
        }
        out.push(u8::from(grid.by_grid));
        for n in [self.beside.usual_us, self.beside.unit_us] {
            out.extend(n.to_le_bytes());
        }
        for (form, from) in self.floats {
            match form {
                Form::Double => out.push(0),
                Form::Single => out.push(1),
                Form::Decimal { places, single } => out.extend([2, places, u8::from(single)]),
                Form::Steps { base, step } => {
                    out.push(3);
                    out.extend(base.to_le_bytes());
                    out.extend(step.to_le_bytes());
                }
            }
            match from {
                From::Zero => out.push(0),
                From::Before => out.push(1),
                From::Line { offset, slope } => {
                    out.push(2);
                    out.extend(offset.to_le_bytes());
                    out.extend(slope.to_le_bytes());
                }
            }
        }
        out
    }

    /// `None` for bytes that this version does not write.
    pub(super) fn from_bytes(bytes: &[u8]) -> Option<Self> {
        let mut rest = Rest(bytes);
        if rest.byte()? != VERSION {
            return None;
        }
        let grid = Grid {
            first_us: rest.long()?,
            unit_us: rest.long()?,
            period: rest.long()?,
            by_grid: rest.flag()?,
        };
        let beside = Beside {
            usual_us: rest.long()?,
            unit_us: rest.long()?,
        };
        let mut floats = [(Form::Double, From::Zero); 6];
        for slot in &mut floats {
            let form = match rest.byte()? {
                0 => Form::Double,
                1 => Form::Single,
                2 => Form::Decimal {
                    places: rest.byte()?,
                    single: rest.flag()?,
                },
                3 => Form::Steps {
                    base: rest.double()?,
                    step: rest.double()?,
                },
                _ => return None,
            };
            let from = match rest.byte()? {
                0 => From::Zero,
                1 => From::Before,
                2 => From::Line {
                    offset: rest.double()?,
                    slope: rest.double()?,
                },
                _ => return None,
            };
            *slot = (form, from);
        }
        rest.0.is_empty().then_some(Self {
            grid,
            beside,
            floats,
        })
    }
}

/// Bytes not yet read.
struct Rest<'a>(&'a [u8]);

impl Rest<'_> {
    fn byte(&mut self) -> Option<u8> {
        let (first, rest) = self.0.split_first()?;
        self.0 = rest;
        Some(*first)
    }

    fn flag(&mut self) -> Option<bool> {
        match self.byte()? {
            0 => Some(false),
            1 => Some(true),
            _ => None,
        }
    }

    fn eight(&mut self) -> Option<[u8; 8]> {
        let (first, rest) = self.0.split_first_chunk::<8>()?;
        self.0 = rest;
        Some(*first)
    }

    fn long(&mut self) -> Option<i64> {
        Some(i64::from_le_bytes(self.eight()?))
    }

    fn double(&mut self) -> Option<f64> {
        Some(f64::from_le_bytes(self.eight()?))
    }
}
