//! Roots of ascending functions.

/// Most steps; bisection alone takes fewer for the last bit of a number.
const STEPS: usize = 100;

/// The place between two ends at which an ascending function is 0, to `within`; `at` gives its value and its slope. The
/// search begins at `start`.
///
/// Newton's method; where it would leave the ends found so far on either side of the root, their middle (Press et al.,
/// *Numerical Recipes*, 3rd edition, section 9.4).
pub fn ascending_root(
    (mut low, mut high): (f64, f64),
    start: f64,
    within: f64,
    at: impl Fn(f64) -> (f64, f64),
) -> f64 {
    let mut place = start;
    for _ in 0..STEPS {
        let (value, slope) = at(place);
        if value > 0.0 {
            high = place;
        } else {
            low = place;
        }
        let newton = place - value / slope;
        let next = if newton > low && newton < high {
            newton
        } else {
            f64::midpoint(low, high)
        };
        let step = (next - place).abs();
        place = next;
        if step <= within {
            break;
        }
    }
    place
}

#[cfg(test)]
mod tests {
    use super::*;
    use statrs::distribution::{Continuous, ContinuousCDF, Normal};

    /// Against the quantiles of the normal distribution in statrs; far from the start Newton's method alone diverges.
    #[test]
    fn quantiles_of_a_normal() {
        let normal = Normal::standard();
        for p in [1e-6, 0.01, 0.3, 0.5, 0.77, 0.999, 1.0 - 1e-9] {
            let at = |x: f64| (normal.cdf(x) - p, normal.pdf(x));
            let found = ascending_root((-12.0, 12.0), 5.0, 1e-12, at);
            assert!((found - normal.inverse_cdf(p)).abs() < 1e-6, "{p}: {found}");
        }
    }

    #[test]
    fn a_step_without_slope_is_found() {
        let at = |x: f64| (if x < 0.3 { -1.0 } else { 1.0 }, 0.0);
        let found = ascending_root((0.0, 1.0), 0.9, 1e-12, at);
        assert!((found - 0.3).abs() < 1e-9, "{found}");
    }
}
