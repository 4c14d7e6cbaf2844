//! Sums of products in about twice the precision of a double, rounded once at the end.
//!
//! T. J. Dekker, "A floating-point technique for extending the available precision", Numerische Mathematik 18
//! (1971), 224-242; the sum without a branch is D. E. Knuth's.

/// A number as the sum of a double and the error of that double.
#[derive(Debug, Clone, Copy)]
pub struct Twice {
    high: f64,
    low: f64,
}

impl Twice {
    pub fn of(value: f64) -> Self {
        Self {
            high: value,
            low: 0.0,
        }
    }

    pub fn add_product(&mut self, first: f64, second: f64) {
        let product = first * second;
        let product_error = first.mul_add(second, -product);
        let sum = self.high + product;
        let part = sum - self.high;
        let sum_error = (self.high - (sum - part)) + (product - part);
        self.high = sum;
        self.low += sum_error + product_error;
    }

    pub fn rounded(self) -> f64 {
        self.high + self.low
    }
}

/// The sum of the products of two lists, as far as the shorter goes.
pub fn dot(first: &[f64], second: &[f64]) -> f64 {
    let mut sum = Twice::of(0.0);
    for (a, b) in first.iter().zip(second) {
        sum.add_product(*a, *b);
    }
    sum.rounded()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_cancels_in_doubles_is_kept() {
        // 1 is below the last digit of 1e17
        assert_eq!(dot(&[1e17, 1.0, -1e17], &[1.0, 1.0, 1.0]), 1.0);
        assert_eq!(1e17 + 1.0 - 1e17, 0.0);
    }
}
