//! Numbers of a loop's day as small integers, without loss: what form they have, and what each is measured from.
//!
//! A transmitter and an input card give few distinct numbers: decimals of some places, steps of a converter, at worst the
//! 2^32 of single precision. A form turns such numbers into integers and back to the very same bits; it is only taken when
//! every number of the loop's day comes back. What remains is the difference of the integer from what could be known:
//! the number before, or the line that the loop current follows with the process value.

/// How a number and an integer belong together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum Form {
    /// The bits of a double, in the order of the numbers.
    Double,
    /// The bits of a single, in the order of the numbers.
    Single,
    /// `n / 10^places`, rounded to single precision if so marked.
    Decimal { places: u8, single: bool },
    /// `base + n step`, rounded to single precision: codes of an input card.
    Steps { base: f64, step: f64 },
}

/// What an integer is measured from.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum From {
    /// Zero.
    Zero,
    /// The one before, in time.
    Before,
    /// The form's integer of `offset + slope * guide`, where the guide has a value; else the one before.
    Line { offset: f64, slope: f64 },
}

/// Beyond this a double cannot count.
const EXACT: f64 = 9_007_199_254_740_992.0;
/// Decimal places tried.
const PLACES: u8 = 9;
/// Converters that are tried when steps are found: counts of the full scale (powers of two, one less, and the 27,648 of
/// many process input cards; common practice).
const COUNTS: [f64; 11] = [
    4_095.0, 4_096.0, 8_191.0, 8_192.0, 16_383.0, 16_384.0, 27_648.0, 32_767.0, 32_768.0, 65_535.0,
    65_536.0,
];

impl Form {
    /// The integer of a number.
    fn integer(self, v: f64) -> i64 {
        match self {
            Self::Double => ordered64(v.to_bits()),
            Self::Single => i64::from(ordered32((v as f32).to_bits())),
            Self::Decimal { places, .. } => whole(v * ten(places)),
            Self::Steps { base, step } => whole((v - base) / step),
        }
    }

    /// The number of an integer; bits that no writer of ours makes give some number and no error.
    fn number(self, n: i64) -> f64 {
        match self {
            Self::Double => f64::from_bits(unordered64(n)),
            Self::Single => f64::from(f32::from_bits(unordered32(n as i32))),
            Self::Decimal { places, single } => {
                let v = n as f64 / ten(places);
                if single { f64::from(v as f32) } else { v }
            }
            Self::Steps { base, step } => f64::from((base + n as f64 * step) as f32),
        }
    }

    /// Every one of these numbers comes back with the same bits.
    fn holds(self, numbers: &[f64]) -> bool {
        numbers
            .iter()
            .all(|v| self.number(self.integer(*v)).to_bits() == v.to_bits())
    }
}

fn ten(places: u8) -> f64 {
    10f64.powi(i32::from(places))
}

fn whole(v: f64) -> i64 {
    // Saturates; what was cut does not come back, and the form is not taken.
    if v.abs() < EXACT { v.round() as i64 } else { 0 }
}

/// Bits so that integers order as the numbers do, and neighbours differ by one.
fn ordered64(bits: u64) -> i64 {
    let b = bits as i64;
    b ^ (((b >> 63) as u64) >> 1) as i64
}

fn unordered64(n: i64) -> u64 {
    ordered64(n as u64) as u64
}

fn ordered32(bits: u32) -> i32 {
    let b = bits as i32;
    b ^ (((b >> 31) as u32) >> 1) as i32
}

fn unordered32(n: i32) -> u32 {
    ordered32(n as u32) as u32
}

/// Small numbers of either sign as small numbers.
pub(crate) fn fold(n: i64) -> i64 {
    (n << 1) ^ (n >> 63)
}

pub(crate) fn unfold(n: i64) -> i64 {
    ((n as u64) >> 1) as i64 ^ -(n & 1)
}

/// About the bits that an integer takes.
fn cost(n: i64) -> u64 {
    u64::from(64 - fold(n).leading_zeros())
}

/// A column of a loop's day as it is written: form, origin, and an integer for each number that is there.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Coded {
    pub form: Form,
    pub from: From,
    /// Folded; as long as the column, zero where nothing is.
    pub integers: Vec<i64>,
}

/// Finds the shortest of the forms. What is not finite is not there. `guide` is the column that a line may follow.
pub(crate) fn encode(values: &[f64], guide: Option<&[f64]>) -> Coded {
    let there: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    let mut best: Option<(u64, Coded)> = None;
    let line = guide.and_then(|g| fit(values, g));
    for form in forms(&there) {
        for from in [Some(From::Zero), Some(From::Before), line]
            .into_iter()
            .flatten()
        {
            let (bits, integers) = differences(values, guide, form, from);
            if best.as_ref().is_none_or(|(b, _)| bits < *b) {
                best = Some((
                    bits,
                    Coded {
                        form,
                        from,
                        integers,
                    },
                ));
            }
        }
    }
    match best {
        Some((_, coded)) => coded,
        // Not reached: the last form holds everything.
        None => Coded {
            form: Form::Double,
            from: From::Zero,
            integers: differences(values, None, Form::Double, From::Zero).1,
        },
    }
}

/// Bits that they take, and the folded differences.
fn differences(values: &[f64], guide: Option<&[f64]>, form: Form, from: From) -> (u64, Vec<i64>) {
    let mut before = 0;
    let mut bits = 0;
    let guides = guide
        .unwrap_or(&[])
        .iter()
        .map(Some)
        .chain(std::iter::repeat(None));
    let integers = values
        .iter()
        .zip(guides)
        .map(|(v, g)| {
            if !v.is_finite() {
                return 0;
            }
            let n = form.integer(*v);
            let difference = n.wrapping_sub(origin(form, from, before, g));
            before = n;
            bits += cost(difference);
            fold(difference)
        })
        .collect();
    (bits, integers)
}

/// From integers back to numbers; `there` says where there is one.
pub(crate) fn decode(
    coded: &Coded,
    there: impl Iterator<Item = bool>,
    guide: Option<&[f64]>,
    into: &mut Vec<f64>,
) {
    let mut before = 0;
    let guides = guide
        .unwrap_or(&[])
        .iter()
        .map(Some)
        .chain(std::iter::repeat(None));
    for ((n, there), g) in coded.integers.iter().zip(there).zip(guides) {
        if !there {
            into.push(f64::NAN);
            continue;
        }
        let n = unfold(*n).wrapping_add(origin(coded.form, coded.from, before, g));
        before = n;
        into.push(coded.form.number(n));
    }
}

fn origin(form: Form, from: From, before: i64, guide: Option<&f64>) -> i64 {
    match (from, guide) {
        (From::Zero, _) => 0,
        (From::Line { offset, slope }, Some(g)) if g.is_finite() => {
            form.integer(offset + slope * g)
        }
        (From::Before | From::Line { .. }, _) => before,
    }
}

/// Forms that hold all numbers, the last of them everything.
fn forms(there: &[f64]) -> Vec<Form> {
    let mut out = Vec::new();
    let singles = there
        .iter()
        .all(|v| f64::from(*v as f32).to_bits() == v.to_bits());
    let decimal = (0..=PLACES)
        .flat_map(|places| [false, true].map(|single| Form::Decimal { places, single }))
        .find(|form| form.holds(there));
    out.extend(decimal);
    if singles {
        out.extend(steps(there));
        out.push(Form::Single);
    } else {
        out.push(Form::Double);
    }
    out
}

/// The steps that single-precision numbers stand on, if they do.
fn steps(there: &[f64]) -> Option<Form> {
    let mut distinct = there.to_vec();
    distinct.sort_unstable_by(f64::total_cmp);
    distinct.dedup();
    let (&low, &high) = (distinct.first()?, distinct.last()?);
    let gaps = || {
        let pairs = distinct.iter().zip(distinct.iter().skip(1));
        pairs.map(|(a, b)| b - a)
    };
    let smallest = gaps().fold(f64::INFINITY, f64::min);
    // Of a signal that uses all of single precision no step is to be had.
    if distinct.len() < 8 || smallest <= high.abs().max(low.abs()) * 1e-6 {
        return None;
    }
    // From gap to gap, so that an error of the first guess does not add up.
    let mut n = 0.0;
    let mut counts = vec![0.0];
    for gap in gaps() {
        n += (gap / smallest).round();
        counts.push(n);
    }
    let step = (high - low) / n;
    let mut found = vec![(low, step)];
    for count in COUNTS {
        // Full scales are given to a hundredth of a milliampere or volt.
        let scale = (step * count * 100.0).round() / 100.0;
        for base in [0.0, 4.0] {
            found.push((base, scale / count));
        }
    }
    found
        .into_iter()
        .map(|(base, step)| Form::Steps { base, step })
        .find(|form| matches!(form, Form::Steps { step, .. } if *step > 0.0) && form.holds(there))
}

/// Least squares of the numbers on their guide.
fn fit(values: &[f64], guide: &[f64]) -> Option<From> {
    let pairs = || {
        let both = values.iter().zip(guide);
        both.filter(|(v, g)| v.is_finite() && g.is_finite())
    };
    let n = pairs().count() as f64;
    if n < 8.0 {
        return None;
    }
    let (mut v_mean, mut g_mean) = (0.0, 0.0);
    for (v, g) in pairs() {
        v_mean += v / n;
        g_mean += g / n;
    }
    let (mut sgg, mut sgv) = (0.0, 0.0);
    for (v, g) in pairs() {
        sgg += (g - g_mean) * (g - g_mean);
        sgv += (g - g_mean) * (v - v_mean);
    }
    let slope = sgv / sgg;
    let offset = v_mean - slope * g_mean;
    (slope.is_finite() && offset.is_finite()).then_some(From::Line { offset, slope })
}
