//! A row of dice for drawing a fleet: equal seeds and purposes throw equal numbers.

use crate::fault::Growth;
use crate::noise::{key, unit};

/// A row of dice that depends on the seed and on what it is for.
pub(crate) struct Dice {
    key: u64,
    thrown: i64,
}

impl Dice {
    pub(crate) fn new(seed: u64, what: &str) -> Self {
        Self {
            key: key(seed, what, 9),
            thrown: 0,
        }
    }

    pub(crate) fn unit(&mut self) -> f64 {
        self.thrown += 1;
        unit(self.key, self.thrown)
    }

    pub(crate) fn within(&mut self, [low, high]: [f64; 2]) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Between the two, evenly on a logarithmic scale where both are positive.
    pub(crate) fn size(&mut self, [low, high]: [f64; 2]) -> f64 {
        if low > 0.0 {
            low * (high / low).powf(self.unit())
        } else {
            self.within([low, high])
        }
    }

    pub(crate) fn sign(&mut self, either: bool) -> f64 {
        if either && self.unit() < 0.5 {
            -1.0
        } else {
            1.0
        }
    }

    /// Index below `n`, which is not 0.
    pub(crate) fn below(&mut self, n: usize) -> usize {
        ((self.unit() * n as f64) as usize).min(n.saturating_sub(1))
    }

    pub(crate) fn growth(&mut self, from: &[Growth]) -> Growth {
        if from.is_empty() {
            Growth::Linear
        } else {
            from[self.below(from.len())]
        }
    }

    pub(crate) fn shuffle<T>(&mut self, items: &mut [T]) {
        for i in (1..items.len()).rev() {
            items.swap(i, self.below(i + 1));
        }
    }
}
